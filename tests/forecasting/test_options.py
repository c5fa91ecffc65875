"""From posterior and states to choices, and what plans under a cap save on estates whose truth is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forecasting.options import best_age_of_kind, kind_curves, new_unit_curves, plan_options, survival_curves
from forecasting.outlook import heater_outlooks
from forecasting.policy import Limits, capped_plan, sorted_plan
from forecasting.renewal import Prices, replacement_streams
from tests.forecasting.made_up import invented_posterior, invented_states

SUCCESSOR = np.arange(2)
PLANNED, EMERGENCY = 1800.0, 5400.0


def test_survival_is_that_of_the_outlook() -> None:
    posterior, states = invented_posterior(), invented_states()
    curve = survival_curves(posterior, states)
    outlook = heater_outlooks(posterior, states)
    for years in (1, 3, 5, 10):
        assert np.allclose(1 - curve[:, years], outlook[f"p_fail_{years}y"], atol=1e-5)
    assert (np.diff(curve, axis=1) <= 0).all()


def test_a_new_unit_in_a_certain_world_follows_the_textbook() -> None:
    posterior = invented_posterior(draws=2, spread=0.0)
    states = invented_states(count=6, plain=True)
    curve = new_unit_curves(posterior, states, SUCCESSOR)
    assert np.allclose(curve, np.exp(-((np.arange(61) / 14.0) ** 3)), atol=1e-5)


def test_a_new_unit_keeps_the_water_of_its_place_but_not_the_old_anode() -> None:
    posterior = invented_posterior(draws=2, spread=0.0)
    states = invented_states(count=2, plain=True)
    x = states.x.copy()
    x[0, :, 2] = 2.0  # hard water stays with the place
    harder = new_unit_curves(posterior, replace(states, x=x), SUCCESSOR)
    assert harder[0, 10] < harder[1, 10]
    x = states.x.copy()
    x[:, :, 0] = 1.0  # every old anode is spent; a new unit starts with a fresh one
    ages = replace(states, x=x, age_nodes=np.full_like(states.age_nodes, 20.0))
    fresh = new_unit_curves(posterior, ages, SUCCESSOR)
    assert fresh[0, 1] > np.exp(-((1 / 14.0) ** 3) * np.exp(0.8)) - 1e-9


def test_the_curve_of_a_kind_follows_the_textbook_and_its_band_is_of_the_draws() -> None:
    states = invented_states(count=300, plain=True)
    certain = kind_curves(invented_posterior(draws=3, spread=0.0), states, years=30, most_heaters=7)
    assert sorted(certain) == [0, 1]
    for curve in certain.values():
        assert np.allclose(curve, np.exp(-((np.arange(31) / 14.0) ** 3))[:, None], atol=1e-5)
    mean, low, high = kind_curves(invented_posterior(), invented_states(), years=30)[0].T
    assert mean[0] == low[0] == high[0] == 1
    assert (np.diff(mean) < 0).all() and (low[1:20] < mean[1:20]).all() and (mean[1:20] < high[1:20]).all()


def test_the_curve_of_a_kind_is_the_mean_of_new_units_at_its_places() -> None:
    posterior, states = invented_posterior(), invented_states()
    alone = new_unit_curves(posterior, states, SUCCESSOR, years=20, most_draws=200)
    for kind, curve in kind_curves(posterior, states, years=20).items():
        assert np.allclose(curve[:, 0], alone[states.kind == kind].mean(axis=0), atol=1e-5)


def test_best_age_of_a_kind_has_an_interval_over_the_draws() -> None:
    low, middle, high = best_age_of_kind(invented_posterior(draws=400), 0, PLANNED, EMERGENCY).interval()
    assert low < middle < high
    assert middle == pytest.approx(0.63655 * 14, rel=0.08)


def test_spending_is_the_planned_price_of_the_year_to_the_cent() -> None:
    posterior, states = invented_posterior(), invented_states(count=8)
    options = plan_options(
        posterior, states, states.building, np.full(8, PLANNED), np.full(8, EMERGENCY), [0, 0.5, 1.5],
        SUCCESSOR, visit_cost=200.0, price_growth=0.03, discount_rate=0.03,
    )  # fmt: skip
    assert options.choices.spend[0].tolist() == [round(1800 * 1.03**0.25, 2), round(1800 * 1.03, 2)]
    assert options.choices.visit.tolist() == [round(200 * 1.03**0.25, 2), round(200 * 1.03, 2)]
    assert options.worth.discount.tolist() == [1.0, 1.0]  # growth and discount cancel


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_on_a_known_truth_the_plan_saves_against_the_plain_ways(seed: int) -> None:
    """Truth: Weibull, shape 3, scale 14, no spread.  Thirty years, the plan renewed by age thereafter, so that
    what stands at the end weighs little; every way is followed by simulation apart from the worth it was chosen by."""
    posterior = invented_posterior(draws=2, spread=0.0)
    states = invented_states(count=60, years=31, plain=True, seed=seed)
    prices = Prices(np.full(60, PLANNED), np.full(60, EMERGENCY), by="heater")
    options = plan_options(
        posterior,
        states,
        np.arange(60),
        prices.planned_cost,
        prices.emergency_cost,
        np.arange(11.0),
        SUCCESSOR,
    )
    limits = Limits(np.full(10, 12 * PLANNED))
    plan = capped_plan(options.choices, limits)
    age = states.age_nodes[:, 0]
    by_age = sorted_plan(options.choices, limits, age)
    assert plan.cost <= by_age.cost
    best = best_age_of_kind(posterior, 0, PLANNED, EMERGENCY).age_years[0]

    def cost(**policy: object) -> float:
        streams = replacement_streams(
            posterior, states, np.arange(31.0), np.zeros(60, dtype=np.int64), 1, prices, SUCCESSOR, 400, seed,
            **policy,  # type: ignore[arg-type]
        )  # fmt: skip
        return float(streams.total("cost").mean())

    run_to_failure, at_twelve = cost(), cost(planned_age_years=12.0)
    planned = cost(planned_period=plan.period, planned_age_years=float(best))
    assert planned < 0.9 * run_to_failure
    assert planned < at_twelve
