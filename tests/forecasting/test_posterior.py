"""The fit: recovers what made the data, owns up to what it cannot know, never crashes, repeats to the bit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forecasting.episodes import COVARIATES, Episodes, build_episodes
from forecasting.hazard import LOG_LN2
from forecasting.lifetimes import load_prior
from forecasting.posterior import FitCancelled, Posterior, fit
from forecasting.sampling import smooth_weights
from tests.forecasting.records import made_records

KINDS = ("electric_storage", "gas_storage_atmospheric", "gas_tankless")
MEDIAN, SHAPE = np.array([13.0, 10.0]), np.array([2.5, 3.0])
BETA = np.array([0.5, 0.2, 0.1, 0.0, 0.2, 0.1, 0.2, 0.3])


def simulated(
    seed: int, heaters: int, years: float = 8.0, dispersion: float = 0.15, delayed: float = 0.7
) -> Episodes:
    """Heaters of two kinds that were alive when their record began, watched for ``years``."""
    g = np.random.default_rng(seed)
    n_buildings = max(heaters // 25, 1)
    kind, building = g.integers(0, 2, heaters), g.integers(0, n_buildings, heaters)
    order = np.lexsort((building, kind))
    kind, building = kind[order], building[order]
    x = g.normal(0, 0.6, (heaters, len(BETA)))
    z = g.gamma(1 / dispersion, dispersion, n_buildings)
    risk = z[building] * np.exp(x @ BETA)
    shape, median = SHAPE[kind], MEDIAN[kind]
    entry = np.where(g.random(heaters) < delayed, g.uniform(0, 14, heaters), 0.0)
    needed = np.log(2) * (entry / median) ** shape + g.exponential(size=heaters) / risk
    life = median * (needed / np.log(2)) ** (1 / shape)
    leave = np.minimum(life, entry + years)
    return Episodes(
        heater=np.arange(heaters),
        kind=kind,
        building=building,
        entry_age=entry,
        exit_age=leave,
        event=life <= leave,
        interval_lower=np.full(heaters, np.nan),
        x=x,
        node=np.zeros(heaters, dtype=np.int64),
        node_log_weight=np.zeros(heaters),
        heater_ids=tuple(range(heaters)),
        kinds=KINDS[:2],
        buildings=tuple(range(n_buildings)),
    )


def fitted(episodes: Episodes, **options: int) -> Posterior:
    return fit(episodes, load_prior(KINDS, COVARIATES), **options)


def log_median(posterior: Posterior) -> np.ndarray:
    return posterior.log_scale + LOG_LN2 * np.exp(-posterior.log_shape)


def test_much_data_gives_back_what_made_it() -> None:
    posterior = fitted(simulated(1, 8000))
    np.testing.assert_allclose(np.exp(log_median(posterior)).mean(axis=0)[:2], MEDIAN, rtol=0.04)
    np.testing.assert_allclose(np.exp(posterior.log_shape).mean(axis=0)[:2], SHAPE, rtol=0.06)
    np.testing.assert_allclose(posterior.beta.mean(axis=0), BETA, atol=0.12)
    assert 0.08 < posterior.dispersion.mean() < 0.25
    assert posterior.diagnostics.method == "importance"
    assert posterior.diagnostics.converged
    assert posterior.diagnostics.prior_weight[:2].max() < 0.3
    assert posterior.diagnostics.k_hat < 0.5


def test_delayed_entry_matters_and_is_honoured() -> None:
    """Called watched from age zero, the same lives look much longer."""
    episodes = simulated(2, 4000, delayed=1.0)
    honest = log_median(fitted(episodes)).mean(axis=0)[:2]
    naive = log_median(fitted(replace(episodes, entry_age=np.zeros(4000)))).mean(axis=0)[:2]
    np.testing.assert_allclose(np.exp(honest), MEDIAN, rtol=0.06)
    assert np.all(naive - honest > 0.1)


def test_intervals_cover() -> None:
    """80 % intervals over 30 fleets: 2 medians, 2 shapes, 8 effects each; about 80 % must hold the truth."""
    inside = []
    for seed in range(30):
        posterior = fitted(simulated(100 + seed, 250), draws=400, seed=seed)
        drawn = np.column_stack(
            [log_median(posterior)[:, :2], posterior.log_shape[:, :2], posterior.beta[:, : len(BETA)]]
        )
        truth = np.concatenate([np.log(MEDIAN), np.log(SHAPE), BETA])
        low, high = np.quantile(drawn, [0.1, 0.9], axis=0)
        inside.append((low <= truth) & (truth <= high))
    # The truth is not drawn from the prior, which pulls, so a little more or less than 80 % is right.
    assert 0.7 < np.mean(inside) < 0.92


def test_building_multipliers_follow_their_records() -> None:
    episodes = simulated(5, 3000, dispersion=0.4)
    posterior = fitted(episodes)
    ratio = posterior.building_failures / posterior.building_exposure.mean(axis=0)
    assert np.corrcoef(ratio, posterior.z.mean(axis=0))[0, 1] > 0.97
    assert posterior.z.mean(axis=0).std() < ratio.std()
    new = posterior.new_building_multipliers(500, np.random.default_rng(1))
    assert new.shape == (len(posterior.dispersion), 500)
    assert new.mean() == pytest.approx(1.0, abs=0.02)
    assert new.var() == pytest.approx(posterior.dispersion.mean(), rel=0.2)


def test_no_heater_at_all_is_the_prior_and_says_so() -> None:
    episodes = build_episodes(made_records([]), KINDS)
    prior = load_prior(KINDS, COVARIATES)
    posterior = fit(episodes, prior, draws=4000)
    centre, spread = log_median(posterior).mean(axis=0), log_median(posterior).std(axis=0)
    np.testing.assert_allclose(centre, prior.log_median_mean, atol=0.03)
    np.testing.assert_allclose(spread, prior.log_median_sd, rtol=0.08)
    np.testing.assert_allclose(np.corrcoef(log_median(posterior).T)[0, 1] > 0, True)
    assert "published prior" in posterior.diagnostics.messages[0]
    assert posterior.z.shape == (4000, 0)


def test_no_failure_leans_on_the_prior_and_never_shortens_life() -> None:
    heaters = [{"record_start": "2023-01-01"} for _ in range(20)]
    prior = load_prior(KINDS, COVARIATES)
    posterior = fit(build_episodes(made_records(heaters)), prior)
    assert posterior.diagnostics.events_total == 0
    assert "No failure" in posterior.diagnostics.messages[0]
    gas = prior.kinds.index("gas_storage_atmospheric")
    assert log_median(posterior)[:, gas].mean() > prior.log_median_mean[gas]
    assert np.all(np.isfinite(posterior.z))


def leaks(day: str) -> dict[str, object]:
    return {"ended_earliest": day, "ended_latest": day, "ending": "tank_leak"}


@pytest.mark.parametrize(
    "heaters",
    [
        [{**leaks("2020-03-15")} for _ in range(40)],
        [{**leaks("2015-01-02"), "installed_earliest": "2015-01-01", "installed_latest": "2015-01-01"}] * 30,
        [{"building_id": b, **(leaks("2019-05-01") if b % 2 else {})} for b in range(60)],
        [{"installed_earliest": None, "installed_latest": None, **leaks("2018-07-01")} for _ in range(15)],
        [{"static_pressure_psi": 1e6, "setpoint_f": -400.0, "units_served": 1e9, "capacity_gal": 1e-9}] * 5,
        [{"installed_earliest": "1930-01-01", "installed_latest": "1930-01-01"} for _ in range(25)],
        [{"installed_earliest": None, "installed_latest": None, "ending": "tank_leak"} for _ in range(9)],
        [{**leaks("2020-03-15"), "ended_latest": "2024-12-01"} for _ in range(40)],
    ],
)
def test_hard_records_give_finite_draws(heaters: list[dict[str, object]]) -> None:
    posterior = fitted(build_episodes(made_records([dict(h) for h in heaters])), draws=300)
    for name in ("log_shape", "log_scale", "beta", "dispersion", "z", "building_exposure"):
        assert np.all(np.isfinite(getattr(posterior, name))), name
    assert posterior.diagnostics.converged or posterior.diagnostics.messages


def test_kinds_learn_from_each_other() -> None:
    """Short-lived electric and gas tanks also shorten the tankless kind nobody has seen."""
    episodes = simulated(7, 2000)
    soon = replace(episodes, entry_age=episodes.entry_age / 2, exit_age=episodes.exit_age / 2)
    late = log_median(fitted(episodes))[:, 2].mean()
    assert log_median(fitted(soon))[:, 2].mean() < late - 0.05


def test_vague_dates_widen_rather_than_shift() -> None:
    """A date known within two years, integrated over, gives the answer of the exact one, roughly."""
    g = np.random.default_rng(3)
    exact, vague = [], []
    for i in range(300):
        install, life = 1995 + g.uniform(0, 25), 12 * g.weibull(3.0)
        start, ended = max(install, 2012.0), install + life
        if ended < start:
            continue
        row: dict[str, object] = {"building_id": i % 10, "record_start": day_of(start)}
        if ended < 2025:
            row |= leaks(day_of(ended))
        exact.append({**row, "installed_earliest": day_of(install), "installed_latest": day_of(install)})
        if i % 3 == 0:
            low = install - g.uniform(0, 3)
            row |= {"installed_earliest": day_of(low), "installed_latest": day_of(min(low + 3, start))}
            vague.append(row)
        else:
            vague.append(exact[-1])
    one, other = (log_median(fitted(build_episodes(made_records(rows))))[:, 1] for rows in (exact, vague))
    assert other.mean() == pytest.approx(one.mean(), abs=0.05)


def day_of(year: float) -> str:
    return str(np.datetime64("1970-01-01") + np.timedelta64(round((year - 1970) * 365.25), "D"))


def test_the_same_seed_gives_the_same_bits() -> None:
    episodes = simulated(8, 300)
    one, two, other = fitted(episodes, seed=5), fitted(episodes, seed=5), fitted(episodes, seed=6)
    for name in ("log_shape", "log_scale", "beta", "dispersion", "z"):
        assert getattr(one, name).tobytes() == getattr(two, name).tobytes()
    assert one.beta.tobytes() != other.beta.tobytes()


def test_the_sampler_agrees_with_importance_draws(monkeypatch: pytest.MonkeyPatch) -> None:
    import forecasting.exploring as module

    episodes = simulated(9, 200)
    quick = fitted(episodes, draws=2000)
    monkeypatch.setattr(module, "K_HAT_LIMIT", -1.0)
    slow = fitted(episodes, draws=2000)
    assert (quick.diagnostics.method, slow.diagnostics.method) == ("importance", "sampler")
    assert any("slower sampler" in words for words in slow.diagnostics.messages)
    for name in ("log_shape", "beta"):
        one, other = getattr(quick, name)[:, :2], getattr(slow, name)[:, :2]
        np.testing.assert_allclose(one.mean(axis=0), other.mean(axis=0), atol=0.25 * one.std(axis=0).max())
        np.testing.assert_allclose(one.std(axis=0), other.std(axis=0), rtol=0.2)


def test_progress_is_told_and_a_stop_is_heeded() -> None:
    told: list[float] = []
    episodes = simulated(10, 60)
    prior = load_prior(KINDS, COVARIATES)
    fit(episodes, prior, draws=100, progress=lambda fraction, words: told.append(fraction))
    assert told == sorted(told)
    assert 0.9 < told[-1] <= 1
    with pytest.raises(FitCancelled):
        fit(episodes, prior, draws=100, cancelled=lambda: True)


def test_wrong_input_is_named() -> None:
    episodes = simulated(11, 20)
    with pytest.raises(ValueError, match="electric_storage"):
        fit(episodes, load_prior(("gas_storage_atmospheric",), COVARIATES))
    with pytest.raises(ValueError, match="draw_per_gallon"):
        fit(episodes, load_prior(KINDS, COVARIATES[:-1]))
    with pytest.raises(ValueError, match="entry_age < exit_age"):
        fit(replace(episodes, entry_age=episodes.exit_age), load_prior(KINDS, COVARIATES))
    with pytest.raises(ValueError, match="finite"):
        fit(replace(episodes, x=episodes.x * np.nan), load_prior(KINDS, COVARIATES))


def test_pareto_shape_tells_good_weights_from_bad() -> None:
    """Heavy proposal for a light target is sound; the other way round is not (Vehtari et al., arXiv 1507.02646)."""
    g = np.random.default_rng(1)
    wide, narrow = 2 * g.standard_normal(4000), 0.4 * g.standard_normal(4000)
    good = smooth_weights(-0.5 * wide**2 + 0.5 * (wide / 2) ** 2)[1]
    bad = smooth_weights(-0.5 * narrow**2 + 0.5 * (narrow / 0.4) ** 2)[1]
    assert good < 0.3 < 0.7 < bad
