"""How far ages found standing are believed: the chance held against plain sums, and what a fit does with it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import gammaln, logit, logsumexp
from scipy.stats import gamma as gamma_law
from scipy.stats import norm

from forecasting.agreement import CHANCE_SOUND, answers
from forecasting.buildings import thinned, with_buildings
from forecasting.climbing import climb
from forecasting.episodes import COVARIATES, Episodes
from forecasting.hazard import DISPERSION_BOUNDS
from forecasting.lifetimes import load_prior
from forecasting.posterior import _active_part, _standing_in, fit
from forecasting.standing import Standing
from forecasting.target import build_target
from tests.forecasting.test_hard_buildings import lives, standing_of

KIND = "electric_storage"
PRIOR = load_prior((KIND,), COVARIATES)
BUILDINGS, IN_EACH, WATCHED = 10, 8, 3.0


def estate(median: float, found_as_if: float, seed: int = 1) -> tuple[Episodes, Standing]:
    """Heaters of one median life, watched for three years; the ages found are those of another."""
    rng, shape, n = np.random.default_rng(seed), 3.0, BUILDINGS * IN_EACH
    scale = found_as_if * np.log(2) ** (-1 / shape)
    # Backward recurrence times: a density of exp(-(a / scale)^k) is that of a root of a Gamma.
    age = scale * rng.gamma(1 / shape, size=n) ** (1 / shape)
    needed = np.log(2) * (age / median) ** shape + rng.exponential(size=n)
    life = median * (needed / np.log(2)) ** (1 / shape)
    building = np.repeat(np.arange(BUILDINGS), IN_EACH)
    years = np.minimum(life - age, WATCHED)
    episodes = lives(age, years, life - age <= WATCHED, building, np.zeros((n, len(COVARIATES))))
    return episodes, replace(standing_of(episodes, 1e-9), old=np.ones(n, dtype=bool))


def share_of(episodes: Episodes, standing: Standing) -> float:
    active, kinds, columns = _active_part(replace(episodes, standing=standing), PRIOR)
    target = build_target(active, PRIOR, kinds, columns)
    found = _standing_in(replace(episodes, standing=standing), columns)
    heard, _ = answers(target, climb(target, target.start), found)
    return heard[0].share if heard[0].target.ages is not None else 0.0


def by_sums(episodes: Episodes) -> float:
    """Log of P(record | ages) / P(record): sums over a grid of shape, median life, spread and multipliers."""
    sd_shape, sd_median = (
        float(np.sqrt(c[0, 0])) for c in (PRIOR.log_shape_covariance(), PRIOR.log_median_covariance())
    )
    log_shape = PRIOR.log_shape_mean[0] + sd_shape * np.linspace(-4, 4, 21)
    log_median = PRIOR.log_median_mean[0] + sd_median * np.linspace(-4, 4, 51)
    spread = np.exp(np.linspace(*np.log(DISPERSION_BOUNDS), 8))
    log_z = np.linspace(-5, 2.5, 91)
    z, totals = np.exp(log_z), []
    weight_z = [gamma_law.logpdf(z, 1 / v, scale=v) + log_z for v in spread]
    weight_v = norm.logpdf(np.log(spread), np.log(PRIOR.dispersion_median), PRIOR.dispersion_log_sd)
    start, end, failed = episodes.entry_age, episodes.exit_age, episodes.event
    for a in log_shape:
        k = np.exp(a)
        starts, ends = (t**k for t in (start, end))
        for m in log_median:
            rate = np.log(2) * np.exp(-k * m)
            ages = (log_z[:, None] + np.log(rate)) / k - gammaln(1 + 1 / k) - rate * np.outer(z, starts)
            since = -rate * np.outer(z, ends - starts)
            since = since + failed * (log_z[:, None] + np.log(rate * k) + (k - 1) * np.log(end))
            # Rows of a building stand together.
            ages, since = (part.reshape(len(z), BUILDINGS, IN_EACH).sum(axis=2) for part in (ages, since))
            prior = norm.logpdf(a, log_shape[10], sd_shape) + norm.logpdf(m, log_median[25], sd_median)
            for of_z, of_v in zip(weight_z, weight_v, strict=True):
                each = [0 * ages, ages, since, ages + since]
                sums = [logsumexp(of_z[:, None] + part, axis=0).sum() for part in each]
                totals.append(prior + of_v + np.array(sums))
    nothing, ages, record, both = logsumexp(np.array(totals), axis=0)
    return float(both + nothing - ages - record)


@pytest.mark.parametrize(("median", "found_as_if"), [(12.0, 12.0), (13.0, 11.0), (13.0, 10.0)])
def test_the_chance_that_the_ages_are_sound_is_that_of_plain_sums(median: float, found_as_if: float) -> None:
    episodes, standing = estate(median, found_as_if)
    foretold_better = logit(share_of(episodes, standing)) - logit(CHANCE_SOUND)
    assert foretold_better == pytest.approx(by_sums(episodes), abs=0.3)


def test_draws_go_by_the_ages_in_the_share_that_the_record_leaves_them() -> None:
    episodes, standing = estate(13.0, 10.0)
    share = share_of(episodes, standing)
    assert 0.1 < share < 0.9
    posterior = fit(replace(episodes, standing=standing), PRIOR, 1000, 1)
    heard = posterior.hears_ages
    assert heard is not None
    assert heard.mean() == pytest.approx(share, abs=0.001)
    assert f"in {100 * share:.0f} % of the draws" in posterior.diagnostics.messages[0]
    # Those found young speak for a shorter life than the record since.
    assert posterior.log_scale[heard].mean() < posterior.log_scale[~heard].mean() - 0.1
    alone = fit(episodes, PRIOR, 2000, 2)
    assert posterior.log_scale[~heard].mean() == pytest.approx(alone.log_scale.mean(), abs=0.03)
    # In any stretch of the draws, as paths take them.
    assert heard[:300].mean() == pytest.approx(share, abs=0.1)


def test_each_draw_of_a_building_looked_at_later_goes_by_the_ages_or_not_as_its_parameters_do() -> None:
    episodes, standing = estate(13.0, 10.0)
    whole = replace(episodes, standing=standing)
    posterior = fit(whole, PRIOR, 1000, 1)
    again = with_buildings(thinned(posterior, 1000), whole, PRIOR)
    assert again.building_exposure == pytest.approx(posterior.building_exposure)
    heard = posterior.hears_ages
    assert heard is not None
    for chosen in (heard, ~heard):
        assert again.z[chosen].mean() == pytest.approx(posterior.z[chosen].mean(), rel=0.03)
