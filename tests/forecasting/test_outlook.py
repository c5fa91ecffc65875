"""The outlook of a heater obeys the laws of probability and says its reasons."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from forecasting.dates import typical_log_survival
from forecasting.outlook import failure_probabilities, heater_curve, heater_outlooks, reasons
from tests.forecasting.made_up import invented_posterior, invented_states


def test_chances_stay_between_none_and_one_and_grow_with_the_horizon() -> None:
    outlook = heater_outlooks(invented_posterior(), invented_states(), (1, 3, 5, 10))
    for suffix in ("", "_p10", "_p90"):
        table = outlook[[f"p_fail_{h}y{suffix}" for h in (1, 3, 5, 10)]].to_numpy()
        assert (table >= 0).all() and (table <= 1).all()
        assert (np.diff(table, axis=1) >= -1e-6).all()
    assert (outlook["p_fail_5y_p10"] <= outlook["p_fail_5y"] + 1e-6).all()
    assert (outlook["p_fail_5y"] <= outlook["p_fail_5y_p90"] + 1e-6).all()
    assert np.allclose(outlook["p_fail_12_months"], outlook["p_fail_1y"])
    assert np.allclose(outlook["p_fail_36_months"], outlook["p_fail_3y"])


@settings(max_examples=25, deadline=None)
@given(st.floats(0.6, 6.0), st.floats(4.0, 40.0), st.floats(0.0, 45.0), st.integers(1, 20))
def test_a_certain_weibull_gives_the_textbook_chance(
    shape: float, scale: float, age: float, years: int
) -> None:
    posterior = invented_posterior(draws=3, spread=0.0, shape=shape, scale=scale)
    states = invented_states(count=2, years=3, plain=True)
    states = replace(states, age_nodes=np.full_like(states.age_nodes, age))
    expected = 1 - np.exp((age / scale) ** shape - ((age + years) / scale) ** shape)
    found = failure_probabilities(posterior, states, (years,))
    assert np.allclose(found, expected, atol=2e-5)


def test_the_covariates_of_each_coming_year_count_in_that_year() -> None:
    posterior = invented_posterior(draws=1, spread=0.0)
    states = invented_states(count=1, years=3, plain=True)
    x = states.x.copy()
    x[0, 1, 0], x[0, 2, 0] = 1.0, 0.5
    states = replace(states, x=x)
    age = float(states.age_nodes[0, 0])

    def hazard(time: float) -> float:
        effect = np.exp(0.8 * x[0, min(int(time), 2), 0])
        return float(3 / 14 * ((age + time) / 14) ** 2 * effect)

    total = sum(quad(hazard, year, year + 1)[0] for year in range(5))
    assert failure_probabilities(posterior, states, (5,))[0, 0, 0] == pytest.approx(
        1 - np.exp(-total), abs=1e-5
    )


def test_remaining_life_is_the_time_at_which_half_have_failed() -> None:
    posterior = invented_posterior(draws=2, spread=0.0)
    states = invented_states(count=30, plain=True)
    outlook = heater_outlooks(posterior, states)
    age = outlook["age_years"].to_numpy()
    for column, left in (("p10", 0.9), ("median", 0.5), ("p90", 0.1)):
        life = outlook[f"remaining_life_{column}_years"].to_numpy()
        exact = 14 * ((age / 14) ** 3 - np.log(left)) ** (1 / 3) - age
        assert np.allclose(life, exact, atol=0.06)


def test_possible_ages_are_weighed_by_the_fits_own_survival() -> None:
    posterior = invented_posterior(draws=1, spread=0.0)
    states = invented_states(count=1, plain=True)
    states = replace(
        states,
        age_nodes=np.array([[10.0, 20.0]]),
        age_weights=np.array([[0.5, 0.5]]),
    )
    ages = np.array([10.0, 20.0])
    lived = np.exp(-((ages / 14) ** 3))
    # Half and half already counts that a typical heater seldom gets to 20; that part is taken out.
    weights = lived / np.exp(typical_log_survival(ages))
    weights /= weights.sum()
    outlook = heater_outlooks(posterior, states)
    assert outlook["age_years"][0] == pytest.approx(float(weights @ [10, 20]), abs=1e-4)
    chance = 1 - np.exp((np.array([10, 20]) / 14) ** 3 - (np.array([13, 23]) / 14) ** 3)
    assert outlook["p_fail_3y"][0] == pytest.approx(float(weights @ chance), abs=1e-4)


def test_more_draws_or_other_company_do_not_change_a_heater() -> None:
    posterior, states = invented_posterior(), invented_states(count=60)
    few = invented_states(count=60)
    rows = np.array([7, 31, 44])
    few = replace(
        few,
        heater_ids=few.heater_ids[rows], kind=few.kind[rows], building=few.building[rows],
        position_id=few.position_id[rows], property_id=few.property_id[rows], age_nodes=few.age_nodes[rows],
        age_weights=few.age_weights[rows], x=few.x[rows], known={k: v[rows] for k, v in few.known.items()},
    )  # fmt: skip
    alone = heater_outlooks(posterior, few)
    together = heater_outlooks(posterior, states).iloc[rows].reset_index(drop=True)
    assert np.allclose(alone["p_fail_10y"], together["p_fail_10y"], atol=1e-6)


def test_curve_agrees_with_the_table() -> None:
    posterior, states = invented_posterior(), invented_states()
    curve = heater_curve(posterior, states, 4, years=10)
    outlook = heater_outlooks(posterior, states)
    assert curve["p_failed"].iloc[10] == pytest.approx(outlook["p_fail_10y"][4], abs=1e-6)
    assert curve["p_failed"].is_monotonic_increasing
    with pytest.raises(IndexError, match="row 900"):
        heater_curve(posterior, states, 900)


def test_bad_shapes_and_horizons_are_refused() -> None:
    posterior, states = invented_posterior(), invented_states()
    with pytest.raises(ValueError, match="whole years"):
        heater_outlooks(posterior, states, (0,))
    with pytest.raises(ValueError, match=r"states\.x has shape"):
        heater_outlooks(posterior, replace(states, x=states.x[:, :, :2]))
    with pytest.raises(ValueError, match="outside the buildings"):
        heater_outlooks(posterior, replace(states, building=states.building + 50))


def test_reasons_are_ranked_add_up_and_speak_plainly() -> None:
    posterior = invented_posterior(draws=20, spread=0.0)
    states = invented_states(count=2, plain=True)
    x = states.x.copy()
    x[0, :, 0] = 1.0
    x[0, :, 2] = 2.4
    states = replace(
        states, x=x, age_nodes=np.array([[17.0], [2.0]]), age_weights=np.ones((2, 1)),
        kind=np.array([0, 0]), building=np.array([0, 1]),
        known={"age": np.array([True, False]), "hardness": np.array([True, True])},
    )  # fmt: skip
    table = reasons(posterior, states)
    old = table[table["heater_id"] == 100]
    assert list(old["rank"]) == [1, 2, 3]
    assert list(old["covariate"]) == ["age", "anode_spent", "hardness"]
    assert old["words"].iloc[0] == "17 years old, past the typical life of its kind (12 years)"
    assert old["words"].iloc[1] == "anode very likely spent (assumed)"
    assert old["words"].iloc[2] == "very hard water (about 360 mg/L)"
    median = 14 * np.log(2) ** (1 / 3)
    expected = [2 * np.log(17 / (median / 2)), 0.8, 0.24]
    assert np.allclose(old["log_hazard_contribution"], expected, atol=1e-6)
    young = table[table["heater_id"] == 101].iloc[0]
    assert young["words"] == "in its favour: only 2 years old (assumed)"
    assert bool(young["assumed"])
    assert young["log_hazard_contribution"] < 0


def test_a_building_of_which_nothing_is_known_is_no_reason_either_way() -> None:
    """z has mean 1 before the data, so the mean of its logarithm is below 0: that says nothing of the building."""
    posterior = invented_posterior(spread=0, draws=400)
    generator = np.random.default_rng(4)
    told = {"unknown": (1.0, 1.0), "lasting": (0.5, 0.1), "failing": (1.6, 0.1)}
    z = [mean * generator.gamma(1 / variance, variance, 400) for mean, variance in told.values()]
    posterior = replace(posterior, z=np.column_stack(z), building_failures=np.array([0, 1, 9]))
    states = replace(invented_states(3, 2, plain=True), building=np.array([0, 1, 2]))
    table = reasons(posterior, states, most=10)
    words = table[table["covariate"] == "building"].set_index("heater_id")["words"]
    assert list(words) == [
        "in its favour: heaters in this building have lasted longer than usual (1 failure on record)",
        "heaters in this building have failed sooner than usual (9 failures on record)",
    ]
    amount = table[table["covariate"] == "building"]["log_hazard_contribution"]
    assert np.allclose(amount, np.log([0.5, 1.6]), atol=0.1)
    young = replace(posterior, building_failures=np.zeros(3, dtype=int))
    said = reasons(young, states, most=10).set_index(["heater_id", "covariate"])["words"]
    assert "by the ages of the heaters found there" in said[102, "building"]
    unseen = replace(posterior, building_exposure=np.zeros((400, 3)))
    assert "building" not in set(reasons(unseen, states, most=10)["covariate"])
