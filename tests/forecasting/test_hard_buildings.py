"""Ages found standing tell how hard a building is where they are no evidence on lives: held against plain integrals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import gamma as gamma_law

from forecasting.buildings import thinned, with_buildings
from forecasting.episodes import COVARIATES, Episodes
from forecasting.hazard import dispersion_of, eta_of
from forecasting.lifetimes import load_prior
from forecasting.posterior import Posterior, fit
from forecasting.recurrence import ages_found
from forecasting.standing import Standing
from forecasting.target import build_target

KIND = "electric_storage"
PRIOR = load_prior((KIND,), COVARIATES)
SIZE = len(COVARIATES)


def lives(
    age: np.ndarray, years: np.ndarray, failed: np.ndarray, building: np.ndarray, x: np.ndarray
) -> Episodes:
    """Heaters found at an age and watched for some years from there."""
    n = len(age)
    return Episodes(
        heater=np.arange(n),
        kind=np.zeros(n, dtype=np.int64),
        building=building,
        entry_age=age,
        exit_age=age + years,
        event=failed,
        interval_lower=np.full(n, np.nan),
        x=x,
        node=np.zeros(n, dtype=np.int64),
        node_log_weight=np.zeros(n),
        heater_ids=tuple(range(n)),
        kinds=(KIND,),
        buildings=tuple(range(int(building.max()) + 1)),
    )


def standing_of(episodes: Episodes, removals_per_year: float) -> Standing:
    return Standing(
        kind=episodes.kind,
        building=episodes.building,
        age=episodes.entry_age,
        x=episodes.x,
        x_usual=episodes.x,
        x_tilt=np.zeros_like(episodes.x),
        removals_per_year=removals_per_year,
        old=np.zeros(len(episodes.kind), dtype=bool),
        by_plan=False,
    )


def by_integration(
    episodes: Episodes, shape: float, median: float, beta: np.ndarray, v: float, removals: float
) -> float:
    """Log chance of what happened since, given the ages found: each integral over the multiplier done numerically."""
    rate = np.log(2) / median**shape * np.exp(episodes.x @ beta)
    start, end = episodes.entry_age, episodes.exit_age
    log_z = np.linspace(
        -14, 4, 1500
    )  # the integrands are smooth and gone at both ends, so plain sums are exact
    z, s = np.exp(log_z), np.linspace(0, 60 ** (1 / shape), 2001)
    found, since = gamma_law.pdf(z, 1 / v, scale=v) * z, np.ones(len(z))
    for age, leave, failed, r in zip(start, end, episodes.event, rate, strict=True):
        scale = (z * r) ** (-1 / shape)
        norm = scale * np.trapezoid(np.exp(-removals * np.multiply.outer(scale, s) - s**shape), s, axis=1)
        found *= np.exp(-removals * age - z * r * age**shape) / norm
        since *= (
            np.exp(-z * r * (leave**shape - age**shape)) * (z * r * shape * leave ** (shape - 1)) ** failed
        )
    return float(np.log((found * since).sum() / found.sum()))


@settings(max_examples=15, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0.3, 22.0), st.floats(0.2, 5.0), st.booleans(), st.floats(-0.6, 0.6)),
        min_size=1,
        max_size=3,
    ),
    st.floats(1.3, 4.5),
    st.floats(7.0, 16.0),
    st.floats(0.05, 0.9),
)
def test_a_record_given_the_ages_is_the_ratio_of_two_integrals(
    found: list[tuple[float, float, bool, float]], shape: float, median: float, v: float
) -> None:
    age, years, failed, linear = (np.array(column) for column in zip(*found, strict=True))
    x = np.zeros((len(age), SIZE))
    x[:, 0] = linear
    episodes = lives(age, years, failed, np.zeros(len(age), dtype=np.int64), x)
    beta = np.zeros(SIZE)
    beta[0] = 0.8
    theta = np.concatenate([[np.log(shape), np.log(median)], beta, [eta_of(v)]])[None]
    target = build_target(episodes, PRIOR, np.arange(1), np.arange(SIZE))
    ages = ages_found(standing_of(episodes, 0.0), 1, False)
    value = replace(target, ages=ages).many(theta)[0] - target.prior.at(theta)
    exact = by_integration(episodes, shape, median, beta, float(dispersion_of(eta_of(v))), 0.0)
    assert value[0] == pytest.approx(exact, abs=1e-4)


def test_with_removals_the_ratio_is_that_of_the_integrals_but_for_a_hundredth() -> None:
    episodes = lives(
        np.array([3.0, 14.0, 6.0]), np.array([3.0, 2.0, 3.0]), np.array([False, True, False]),
        np.zeros(3, dtype=np.int64), np.zeros((3, SIZE)),
    )  # fmt: skip
    theta = np.concatenate([[np.log(2.8), np.log(12.0)], np.zeros(SIZE), [eta_of(0.3)]])[None]
    target = build_target(episodes, PRIOR, np.arange(1), np.arange(SIZE))
    value = replace(target, ages=ages_found(standing_of(episodes, 0.02), 1, False)).many(theta)[0]
    exact = by_integration(episodes, 2.8, 12.0, np.zeros(SIZE), 0.3, 0.02)
    assert value[0] - target.prior.at(theta)[0] == pytest.approx(exact, abs=0.01)


def test_ages_alone_without_a_record_say_nothing_on_lives() -> None:
    """Given the ages, a record that saw nothing has chance one, whatever the lives."""
    episodes = lives(
        np.array([3.0, 14.0, 6.0]),
        np.full(3, 1e-9),
        np.zeros(3, dtype=bool),
        np.array([0, 0, 1]),
        np.zeros((3, SIZE)),
    )
    target = build_target(episodes, PRIOR, np.arange(1), np.arange(SIZE))
    aged = replace(target, ages=ages_found(standing_of(episodes, 0.01), 2, False))
    theta = np.stack(
        [
            np.concatenate([[np.log(k), np.log(m)], np.zeros(SIZE), [eta_of(0.3)]])
            for k, m in ((2.0, 9.0), (4.0, 15.0))
        ]
    )
    assert aged.many(theta)[0] - target.prior.at(theta) == pytest.approx(np.zeros(2), abs=1e-6)


def hard_and_soft(seed: int, buildings: int = 300, removals: float = 0.01) -> tuple[Episodes, Standing]:
    """Buildings of ten heaters, very unlike one another, each heater renewed for ages before anybody looked."""
    rng = np.random.default_rng(seed)
    building = np.repeat(np.arange(buildings), 10)
    z = rng.gamma(1 / 0.5, 0.5, buildings)[building]
    born = rng.uniform(-12.0, 0.0, len(z))
    age = np.full(len(z), np.nan)
    for _ in range(60):
        life = 12.0 * (rng.exponential(size=len(z)) / (np.log(2) * z)) ** (1 / 3.0)
        dies = born + np.minimum(life, rng.exponential(1 / removals, len(z)))
        over = np.isnan(age) & (dies > 120.0)
        age[over] = (120.0 - born)[over]
        born = np.where(np.isnan(age), dies, born)
    assert not np.isnan(age).any()
    needed = np.log(2) * (age / 12.0) ** 3.0 + rng.exponential(size=len(z)) / z
    life = 12.0 * (needed / np.log(2)) ** (1 / 3.0)
    episodes = lives(age, np.minimum(life - age, 3.0), life - age <= 3.0, building, np.zeros((len(z), SIZE)))
    return episodes, standing_of(episodes, removals)


def shape_of(posterior: Posterior) -> float:
    return float(np.exp(posterior.log_shape).mean())


def test_the_shape_is_not_taken_for_lower_where_those_found_in_hard_buildings_are_young() -> None:
    episodes, standing = hard_and_soft(1)
    deaf, told = (fit(e, PRIOR, 300, 1) for e in (episodes, replace(episodes, standing=standing)))
    assert shape_of(deaf) < 2.75
    assert shape_of(told) == pytest.approx(3.0, abs=0.15)
    assert told.dispersion.mean() == pytest.approx(0.5, abs=0.1)
    assert deaf.removals_per_year is None
    assert told.removals_per_year == 0.01


def test_where_the_record_speaks_against_it_the_ages_tell_nothing_of_the_buildings() -> None:
    """Somebody had replaced the heaters of the soft buildings lately, the hard ones' long ago."""
    episodes, standing = hard_and_soft(2, 80)
    deaf = fit(episodes, PRIOR, 300, 1)
    turned = replace(standing, age=(standing.age.max() + 0.5 - standing.age))
    told = fit(replace(episodes, standing=turned), PRIOR, 300, 1)
    assert told.removals_per_year is None
    assert np.array_equal(told.log_shape, deaf.log_shape)


def test_a_record_of_one_day_does_not_yet_say_which_buildings_are_hard() -> None:
    episodes, standing = hard_and_soft(5, 40)
    today = replace(
        episodes, exit_age=episodes.entry_age + 1 / 365, event=np.zeros(len(episodes.event), dtype=bool)
    )
    told, deaf = (fit(e, PRIOR, 100, 1) for e in (replace(today, standing=standing), today))
    assert np.array_equal(told.z, deaf.z)


def test_ages_shaped_by_plans_tell_nothing() -> None:
    episodes, standing = hard_and_soft(3, 40)
    planned = replace(episodes, standing=replace(standing, by_plan=True))
    assert np.array_equal(fit(planned, PRIOR, 100, 1).z, fit(episodes, PRIOR, 100, 1).z)


def test_buildings_looked_at_later_are_drawn_given_the_ages_too() -> None:
    """A fit on some properties serves the others: their multipliers are those of a fit on all, ages heard or not."""
    episodes, standing = hard_and_soft(4, 60)
    whole = replace(episodes, standing=standing)
    posterior = fit(whole, PRIOR, 2000, 1)
    assert posterior.removals_per_year == 0.01
    again = with_buildings(thinned(posterior, 2000), whole, PRIOR)
    assert again.building_exposure == pytest.approx(posterior.building_exposure)
    assert again.z.mean(axis=0) == pytest.approx(posterior.z.mean(axis=0), rel=0.06)
    other = replace(whole, standing=replace(standing, removals_per_year=0.3))
    assert np.array_equal(with_buildings(thinned(posterior, 2000), other, PRIOR).z, again.z)
