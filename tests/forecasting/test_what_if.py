"""What would change a heater is computed on changed records, with its interval and its caution."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from forecasting.episodes import Records, future_states
from forecasting.outlook import reasons, what_would_change
from tests.forecasting.made_up import invented_posterior
from tests.validation.simulator import KINDS, make_fleet


@pytest.fixture(scope="module")
def records() -> Records:
    found = make_fleet(60, 9.0, seed=2).records
    return replace(found, waters=found.waters.assign(hardness_mg_l=320.0, calcium_mg_l=230.0))


def in_service(records: Records) -> list[int]:
    heaters = records.heaters
    old = heaters["installed_latest"] < pd.Timestamp(2016, 6, 1)
    return [int(h) for h in heaters.loc[old & (heaters["ending"] == ""), "heater_id"]]


def test_actions_are_computed_not_asserted(records: Records) -> None:
    posterior = invented_posterior()
    ids = in_service(records)[:4]
    table = what_would_change(posterior, records, ids, horizon_years=5)
    assert set(table["heater_id"]) == set(ids)
    by_action = table.groupby("action")["change"].mean()
    assert by_action["renew_anode"] < -0.01
    assert by_action["flush"] < 0
    assert by_action["lower_setpoint"] <= 0
    assert by_action["add_expansion_tank"] == 0  # no closed system among them
    assert np.allclose(table["change"], table["p_after"] - table["p_before"])
    assert (table["change_p10"] <= table["change"] + 1e-9).all()
    assert (table["caution"].str.len() > 20).all()
    assert "Legionella" in table.loc[table["action"] == "lower_setpoint", "caution"].iloc[0]


def test_a_rod_that_does_not_matter_changes_nothing(records: Records) -> None:
    posterior = invented_posterior()
    idle = replace(posterior, beta=np.zeros_like(posterior.beta))
    table = what_would_change(idle, records, in_service(records)[:2], actions=["renew_anode", "soften"])
    assert np.allclose(table["change"], 0)


def test_the_set_point_is_never_lowered_below_120(records: Records) -> None:
    ids = in_service(records)
    cool = records.heaters["heater_id"].isin(ids)
    heaters = records.heaters.assign(setpoint_f=np.where(cool, 118.0, records.heaters["setpoint_f"]))
    table = what_would_change(
        invented_posterior(), replace(records, heaters=heaters), ids[:3], actions=["lower_setpoint"]
    )
    assert np.allclose(table["change"], 0)


def test_unknown_actions_and_heaters_are_named(records: Records) -> None:
    posterior = invented_posterior()
    with pytest.raises(ValueError, match="polish"):
        what_would_change(posterior, records, in_service(records)[:1], actions=["polish"])
    gone = int(records.heaters.loc[records.heaters["ending"] != "", "heater_id"].iloc[0])
    with pytest.raises(ValueError, match=f"heater {gone} is not in service"):
        what_would_change(posterior, records, [gone])


def test_the_words_tell_how_long_no_flush_is_on_record(records: Records) -> None:
    posterior = invented_posterior(spread=0.0)
    posterior = replace(posterior, beta=posterior.beta + np.eye(8)[1] * 2)  # scale weighs heavily
    none = replace(records, services=records.services.iloc[:0])
    states = future_states(none, KINDS, posterior.buildings, 2)
    table = reasons(posterior, states, none)
    scale = table[(table["covariate"] == "sediment") & table["heater_id"].isin(in_service(records))]
    assert len(scale)
    assert scale["words"].iloc[0] == "very hard water, no flush on record for 9 years"
