"""What knowing a missing value takes off the spread of cost, held against the same thing worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from forecasting.episodes import COVARIATES, Records, build_episodes, future_states
from forecasting.lifetimes import load_prior
from forecasting.missing import missing_inputs, value_of_knowing
from forecasting.outlook import failure_probabilities
from forecasting.posterior import Posterior, fit
from tests.forecasting.made_up import invented_posterior
from tests.forecasting.test_standing import KIND, renewed_estate

AS_OF = date(2026, 11, 1)
SHAPE, SCALE = 3.0, 14.0


def made_up_records(count: int = 8, installed: str = "2016-11-01", **values: object) -> Records:
    """Heaters of two buildings about which everything is known, unless ``values`` says otherwise."""
    day = pd.Timestamp(installed)
    known: dict[str, object] = {
        "kind": "gas_storage_atmospheric",
        "property_id": 1,
        "installed_earliest": day,
        "installed_latest": day,
        "made_earliest": pd.NaT,
        "made_latest": pd.NaT,
        "record_start": day,
        "ended_earliest": pd.NaT,
        "ended_latest": pd.NaT,
        "ending": "",
        "capacity_gal": 50.0,
        "input_btu_h": 40_000.0,
        "setpoint_f": 125.0,
        "anode_kind": "powered",
        "anode_count": 1.0,
        "static_pressure_psi": 60.0,
        "units_served": 1.0,
        "softened_since": pd.NaT,
    }
    heaters = pd.DataFrame({"heater_id": np.arange(count) + 1, "position_id": np.arange(count) + 1})
    heaters["building_id"] = np.where(np.arange(count) < count // 2, 10, 11)
    heaters = heaters.assign(**(known | values))
    for name in ("closed_system", "has_expansion_tank", "recirculation"):
        heaters[name] = pd.Series([values.get(name, False)] * count, dtype=object)
    for name in ("made_earliest", "made_latest", "ended_earliest", "ended_latest", "softened_since"):
        heaters[name] = pd.to_datetime(heaters[name])
    services = pd.DataFrame(
        {
            "heater_id": heaters["heater_id"],
            "kind": "flush",
            "done_earliest": pd.Timestamp("2026-05-01"),
            "done_latest": pd.Timestamp("2026-05-01"),
            "anode_left_fraction": np.nan,
            "setpoint_f": np.nan,
        }
    )
    waters = pd.DataFrame(
        {"building_id": [10, 11], "treatment": "raw", "tested_on": pd.Timestamp("2025-01-01")}
    )
    for name in (
        *("hardness_mg_l", "calcium_mg_l", "alkalinity_mg_l", "ph", "dissolved_solids_mg_l"),
        *("conductivity_us_cm", "chloride_mg_l", "sulfate_mg_l", "temperature_c"),
    ):
        waters[name] = 120.0 if name == "hardness_mg_l" else np.nan
    return Records(heaters, services, waters, AS_OF)


def worth(records: Records, spread: float = 0.0) -> pd.DataFrame:
    costs = {int(heater): 1000.0 for heater in records.heaters["heater_id"]}
    return value_of_knowing(invented_posterior(spread=spread), records, costs).set_index("input")


def test_a_full_record_lacks_nothing() -> None:
    records = made_up_records()
    assert missing_inputs(records).empty
    assert worth(records).empty


@pytest.mark.parametrize(
    ("values", "missing"),
    [
        ({"installed_earliest": pd.Timestamp("2012-01-01")}, "age"),
        ({"setpoint_f": np.nan}, "setpoint"),
        ({"anode_kind": "magnesium"}, "anode_state"),
        ({"static_pressure_psi": np.nan}, "static_pressure"),
        ({"closed_system": None, "has_expansion_tank": None}, "expansion_control"),
        ({"units_served": np.nan}, "homes_served"),
        ({"capacity_gal": np.nan}, "capacity"),
    ],
)
def test_each_missing_value_is_found_and_narrows_the_spread(values: dict[str, object], missing: str) -> None:
    found = worth(made_up_records(**values))
    assert list(found.index) == [missing]
    row = found.loc[missing]
    assert row["heaters"] == 8
    assert 0 < row["sd_removed"] < row["sd_now"]
    assert row["sd_known"] == pytest.approx(np.sqrt(row["sd_now"] ** 2 - row["sd_removed"] ** 2))


@pytest.mark.parametrize(
    ("earliest", "latest", "known"),
    [
        ("2012-05-03", "2012-05-03", True),
        ("2012-03-01", "2012-05-31", True),
        ("2012-01-01", "2012-12-31", True),  # the year is on record
        ("2011-01-01", "2013-12-31", False),
        (None, "2012-12-31", False),
        (None, None, False),
    ],
)
def test_an_age_is_called_assumed_exactly_where_the_year_of_the_install_is_called_missing(
    earliest: str | None, latest: str | None, known: bool
) -> None:
    days = {
        "installed_earliest": pd.Timestamp(earliest or pd.NaT),
        "installed_latest": pd.Timestamp(latest or pd.NaT),
    }
    records = made_up_records(**days)
    ahead = future_states(records, ("gas_storage_atmospheric",), (10, 11), 2)
    assert ahead.known["age"].all() == ahead.known["age"].any() == known
    assert ("age" not in set(missing_inputs(records)["input"])) == known


def test_an_unknown_expansion_tank_is_worth_half_the_difference_it_makes() -> None:
    """Two equally likely answers a and b have the standard deviation |a - b| / 2; heaters are independent."""
    row = worth(made_up_records(closed_system=None, has_expansion_tank=None)).loc["expansion_control"]
    age, ahead = 3652 / 365.25, 10.0
    # Everything else is typical but sediment and scale age, which the two answers share: bracket by them.
    hazard = ((age + ahead) / SCALE) ** SHAPE - (age / SCALE) ** SHAPE
    differences = [
        np.exp(-hazard * np.exp(base)) - np.exp(-hazard * np.exp(base + 0.2))
        for base in np.linspace(-1.0, 1.0, 41)
    ]
    assert (
        1000 * np.sqrt(8) * min(differences) / 2
        <= row["sd_removed"]
        <= 1000 * np.sqrt(8) * max(differences) / 2
    )


def test_heaters_on_one_unknown_water_go_wrong_together() -> None:
    """Four heaters sharing an answer weigh twice as much as four with an answer each: sqrt(16) against sqrt(4)."""
    records = made_up_records()
    together = replace(records, waters=records.waters.iloc[:0])
    apart = replace(together, heaters=records.heaters.assign(building_id=np.arange(8) + 10))
    posterior = invented_posterior(buildings=8, spread=0.0)
    costs = {int(heater): 1000.0 for heater in records.heaters["heater_id"]}
    shared = value_of_knowing(posterior, together, costs).set_index("input").loc["water_test"]
    single = value_of_knowing(posterior, apart, costs).set_index("input").loc["water_test"]
    assert (shared["answers_needed"], single["answers_needed"]) == (2, 8)
    # Not exactly twice: the care a heater can expect follows its building's habit, and the buildings differ.
    assert shared["sd_removed"] == pytest.approx(2 * single["sd_removed"], rel=0.1)


def test_money_scales_with_the_price_of_a_failure() -> None:
    records = made_up_records(setpoint_f=np.nan)
    posterior = invented_posterior()
    one = value_of_knowing(posterior, records, dict.fromkeys(range(1, 9), 1000.0))
    three = value_of_knowing(posterior, records, dict.fromkeys(range(1, 9), 3000.0))
    assert three["sd_removed"].iloc[0] == pytest.approx(3 * one["sd_removed"].iloc[0])
    assert three["sd_now"].iloc[0] == pytest.approx(3 * one["sd_now"].iloc[0])


def test_a_heater_without_a_price_is_an_error() -> None:
    with pytest.raises(KeyError):
        value_of_knowing(invented_posterior(), made_up_records(setpoint_f=np.nan), {1: 1000.0})


def test_ended_heaters_are_not_asked_about() -> None:
    records = made_up_records(setpoint_f=np.nan)
    records.heaters.loc[0, "ending"] = "tank_leak"
    records.heaters.loc[0, ["ended_earliest", "ended_latest"]] = pd.Timestamp("2025-01-01")
    assert list(missing_inputs(records)["heater_id"]) == list(range(2, 9))


def test_the_year_built_is_worth_what_the_ages_found_standing_narrow() -> None:
    records = renewed_estate(positions=96, built=np.nan)
    costs = {int(heater): 1000.0 for heater in records.heaters["heater_id"]}

    made: list[Posterior] = []

    def refit(changed: Records) -> Posterior:
        made.append(fit(build_episodes(changed), load_prior((KIND,), COVARIATES), 300, 1))
        return made[-1]

    posterior = refit(records)
    assert not any("standing" in words for words in posterior.diagnostics.messages)
    row = value_of_knowing(posterior, records, costs, refit=refit).set_index("input").loc["year_built"]
    assert row["answers_needed"] == 8
    # By hand: the fit that hears the ages, and the variance halfway between the two.
    old = made[-1]
    assert any("standing" in words for words in old.diagnostics.messages)
    states = future_states(records, (KIND,), posterior.buildings, 10)
    variance = []
    for one in (posterior, old):
        p = failure_probabilities(one, states, (10,), 300)[:, :, 0] * 1000
        variance.append(p.sum(axis=0).var() + (p * (1000 - p)).mean(axis=1).sum())
    assert row["sd_removed"] == pytest.approx(np.sqrt((variance[0] - variance[1]) / 2), rel=1e-6)
    assert row["sd_removed"] > 0.1 * row["sd_now"]
    known = replace(records, heaters=records.heaters.assign(building_built=1990.0))
    assert "year_built" not in set(missing_inputs(known)["input"])
    assert "year_built" not in set(value_of_knowing(posterior, records, costs)["input"])
