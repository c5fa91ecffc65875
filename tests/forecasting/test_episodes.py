"""Dated records become episodes: entry, ending, vague dates, and states at each age."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.episodes import COVARIATES, Episodes, build_episodes, future_states
from tests.forecasting.records import made_records

KIND = "gas_storage_atmospheric"
ANODE, SEDIMENT, HARDNESS, SOFTENED, SETPOINT, PRESSURE, EXPANSION, DRAW = range(len(COVARIATES))


def leak(day: str, latest: str | None = None) -> dict[str, object]:
    return {"ended_earliest": day, "ended_latest": latest or day, "ending": "tank_leak"}


def at_age(episodes: Episodes, age: float, column: int, heater: int = 0) -> float:
    rows = (episodes.heater == heater) & (episodes.entry_age <= age) & (episodes.exit_age > age)
    assert rows.sum() == 1
    return float(episodes.x[rows, column][0])


def test_watching_begins_when_the_record_does() -> None:
    episodes = build_episodes(made_records([{}]))
    assert episodes.entry_age.min() == pytest.approx(5.0, abs=0.01)
    assert episodes.exit_age.max() == pytest.approx(15.0, abs=0.01)
    assert not episodes.event.any()


def test_pieces_of_a_life_join_without_gap_or_overlap() -> None:
    records = made_records(
        [{"softened_since": "2019-05-01", "setpoint_f": 130.0}],
        [{"heater_id": 1, "kind": "flush", "done": f"{year}-03-01"} for year in range(2016, 2024)],
        [(1, "raw", "2016-01-01", 200.0, 700.0), (1, "raw", "2020-01-01", 260.0, 700.0)],
    )
    episodes = build_episodes(records)
    assert len(episodes.heater) > 8
    np.testing.assert_allclose(episodes.entry_age[1:], episodes.exit_age[:-1])
    assert episodes.entry_age[0] == pytest.approx(5.0, abs=0.01)
    assert episodes.exit_age[-1] == pytest.approx(15.0, abs=0.01)


@pytest.mark.parametrize(
    ("ending", "failed"),
    [
        ("tank_leak", True),
        ("failed_beyond_repair", True),
        ("replaced_as_planned", False),
        ("converted", False),
        ("removed", False),
    ],
)
def test_only_failures_are_events(ending: str, failed: bool) -> None:
    heater = {"ended_earliest": "2020-06-01", "ended_latest": "2020-06-01", "ending": ending}
    episodes = build_episodes(made_records([heater]))
    assert episodes.event.sum() == failed
    assert episodes.exit_age.max() == pytest.approx(10.4, abs=0.05)


def test_an_unknown_world_is_typical_at_every_age() -> None:
    episodes = build_episodes(made_records([{}, leak("2022-01-01")]))
    np.testing.assert_array_equal(episodes.x, 0)
    assert len(episodes.heater) == 2  # nothing changes, so nothing is cut


def test_renewing_the_anode_protects_from_that_day_on() -> None:
    records = made_records([{}], [{"heater_id": 1, "kind": "anode_renewed", "done": "2022-01-01"}])
    episodes = build_episodes(records)
    assert at_age(episodes, 11.9, ANODE) == 0
    assert at_age(episodes, 12.2, ANODE) < -0.5
    assert at_age(episodes, 14.9, ANODE) > at_age(episodes, 12.2, ANODE)


def test_an_inspection_teaches_only_what_comes_after_it() -> None:
    def with_left(fraction: float) -> Episodes:
        service = {
            "heater_id": 1,
            "kind": "anode_inspected",
            "done": "2018-01-01",
            "anode_left_fraction": fraction,
        }
        return build_episodes(made_records([{"anode_kind": "magnesium"}], [service]))

    much, little = with_left(0.8), with_left(0.1)
    assert at_age(much, 7.5, ANODE) == at_age(little, 7.5, ANODE)
    assert at_age(much, 8.5, ANODE) < at_age(little, 8.5, ANODE) - 0.3


def test_a_powered_anode_protects_and_a_tank_without_one_does_not() -> None:
    episodes = build_episodes(made_records([{"anode_kind": "powered"}, {"anode_kind": "none"}]))
    young = [at_age(episodes, 5.5, ANODE, heater) for heater in (0, 1)]
    assert young[0] < 0 < young[1]


def test_flushing_takes_the_sediment_out_once() -> None:
    records = made_records([{}], [{"heater_id": 1, "kind": "flush", "done": "2018-01-01"}])
    episodes = build_episodes(records)
    assert at_age(episodes, 7.9, SEDIMENT) == 0
    assert at_age(episodes, 8.05, SEDIMENT) < -0.1
    assert at_age(episodes, 14.5, SEDIMENT) > at_age(episodes, 8.05, SEDIMENT)


def test_softened_water_is_soft_from_its_day_on() -> None:
    records = made_records(
        [{"softened_since": "2020-01-01"}], waters=[(1, "raw", "2016-01-01", 320.0, 500.0)]
    )
    episodes = build_episodes(records)
    before, after = at_age(episodes, 9.5, HARDNESS), at_age(episodes, 10.5, HARDNESS)
    assert before == pytest.approx(2.0)
    assert after == pytest.approx(-1.1)
    assert (at_age(episodes, 9.5, SOFTENED), at_age(episodes, 10.5, SOFTENED)) == (0, 1)


def test_units_of_the_still_states() -> None:
    heater = {
        "setpoint_f": 145.0,
        "static_pressure_psi": 85.0,
        "closed_system": True,
        "has_expansion_tank": False,
        "capacity_gal": 45.0,
        "units_served": 2.0,
    }
    x = build_episodes(made_records([heater])).x[0]
    assert x[SETPOINT] == pytest.approx(2.0)
    assert x[PRESSURE] == pytest.approx(2.5)
    assert x[EXPANSION] == 1
    assert x[DRAW] == pytest.approx(np.log(2.0), abs=1e-3)


def test_a_changed_set_point_counts_from_its_day() -> None:
    service = {"heater_id": 1, "kind": "setpoint_changed", "done": "2020-01-01", "setpoint_f": 145.0}
    episodes = build_episodes(made_records([{"setpoint_f": 125.0}], [service]))
    assert (at_age(episodes, 9.5, SETPOINT), at_age(episodes, 10.5, SETPOINT)) == (0, 2)


def test_a_vague_install_date_becomes_nodes_that_lean_to_the_young() -> None:
    vague = {"installed_earliest": "2000-01-01", "installed_latest": "2010-01-01"}
    episodes = build_episodes(made_records([vague]))
    first = np.array([np.flatnonzero(episodes.node == node)[0] for node in np.unique(episodes.node)])
    assert len(first) == 5
    weights, ages = np.exp(episodes.node_log_weight[first]), episodes.entry_age[first]
    assert weights.sum() == pytest.approx(1.0)
    assert np.all((ages > 5) & (ages < 15.1))
    assert weights[np.argmin(ages)] > weights[np.argmax(ages)]


def test_an_unknown_install_date_is_bounded_by_the_making() -> None:
    unknown = {"installed_earliest": None, "installed_latest": None}
    made = {**unknown, "made_earliest": "2005-01-01", "made_latest": "2005-12-31"}
    states = future_states(made_records([made, unknown]), (KIND,), (1,), 3)
    used = states.age_weights > 0
    assert states.age_nodes[0][used[0]].max() <= 20.01
    assert states.age_nodes[0][used[0]].min() >= 17
    assert states.age_nodes[1][used[1]].max() > 25
    np.testing.assert_allclose(states.age_weights.sum(axis=1), 1)
    assert not states.known["age"].any()


def test_a_failure_seen_between_two_days_is_a_gap() -> None:
    episodes = build_episodes(made_records([leak("2020-01-01", "2021-01-01")]))
    failed = episodes.event
    assert failed.sum() == 1
    assert episodes.interval_lower[failed][0] == pytest.approx(10.0, abs=0.01)
    assert episodes.exit_age[failed][0] == pytest.approx(11.0, abs=0.01)


def test_nothing_after_the_day_of_the_forecast_is_used() -> None:
    early = made_records([leak("2022-01-01")], as_of=date(2020, 1, 1))
    episodes = build_episodes(early)
    assert not episodes.event.any()
    assert episodes.exit_age.max() == pytest.approx(10.0, abs=0.01)
    assert len(future_states(early, (KIND,), (1,), 2).heater_ids) == 1
    late_record = made_records([{"record_start": "2022-01-01"}], as_of=date(2020, 1, 1))
    assert len(build_episodes(late_record).heater) == 0


def test_a_failure_between_days_that_straddle_the_forecast_is_not_yet_known() -> None:
    episodes = build_episodes(made_records([leak("2024-01-01", "2026-01-01")]))
    assert not episodes.event.any()
    assert episodes.exit_age.max() == pytest.approx(14.0, abs=0.01)


@pytest.mark.parametrize(
    "heater",
    [
        {**leak("2005-01-01")},
        {"installed_earliest": "2030-01-01", "installed_latest": "2030-01-01", "record_start": "2030-01-01"},
        {"installed_earliest": "1700-01-01", "installed_latest": "1700-01-01"},
        {"installed_earliest": "2012-01-01", "installed_latest": "2011-01-01"},
        {"record_start": None},
        {**leak("2015-01-01")},
        {"ending": "tank_leak"},
        {"capacity_gal": -5.0, "setpoint_f": np.inf, "static_pressure_psi": 1e9, "anode_kind": "gold"},
    ],
)
def test_absurd_records_never_crash(heater: dict[str, object]) -> None:
    records = made_records([heater, {}])
    episodes = build_episodes(records)
    assert np.all(episodes.exit_age > episodes.entry_age)
    assert np.all(np.isfinite(episodes.x))
    assert set(episodes.heater_ids) | set(episodes.left_out) <= {1, 2}
    assert 2 in episodes.heater_ids
    assert np.all(np.isfinite(future_states(records, (KIND,), (1,), 3).x))


def test_heaters_left_out_are_named() -> None:
    assert build_episodes(made_records([leak("2005-01-01"), {}])).left_out == (1,)


def test_a_heater_twice_is_refused() -> None:
    records = made_records([{}, {}])
    records.heaters["heater_id"] = 7
    with pytest.raises(ValueError, match="heater 7 stands twice"):
        build_episodes(records)


def test_no_heaters_at_all() -> None:
    empty = made_records([])
    assert len(build_episodes(empty, (KIND,)).heater) == 0
    assert future_states(empty, (KIND,), (), 4).x.shape == (0, 4, len(COVARIATES))


@settings(max_examples=25, deadline=None)
@given(
    install=st.dates(date(1995, 1, 1), date(2014, 12, 31)),
    width=st.integers(0, 3000),
    renewed=st.dates(date(2015, 1, 2), date(2024, 12, 30)),
    flushed=st.lists(st.dates(date(2015, 1, 2), date(2024, 12, 30)), max_size=4),
)
def test_years_watched_are_kept_whatever_the_services(
    install: date, width: int, renewed: date, flushed: list[date]
) -> None:
    heater = {
        "installed_earliest": install,
        "installed_latest": min(install + pd.Timedelta(days=width), date(2015, 1, 1)),
    }
    services = [{"heater_id": 1, "kind": "anode_renewed", "done": renewed}]
    services += [{"heater_id": 1, "kind": "flush", "done": day} for day in flushed]
    episodes = build_episodes(made_records([heater], services))
    span = episodes.exit_age - episodes.entry_age
    for node in np.unique(episodes.node):
        assert span[episodes.node == node].sum() == pytest.approx(10.0, abs=0.01)
    assert np.abs(episodes.x[:, ANODE]).max() <= 1


def test_future_care_moves_the_states_it_should() -> None:
    services = [{"heater_id": 1, "kind": "flush", "done": f"{y}-01-01"} for y in (2018, 2020, 2022, 2024)]
    records = made_records([{"anode_kind": "magnesium"}], services)
    never, recorded, kept = (
        future_states(records, (KIND,), (1,), 8, care).x[0] for care in ("none", "as_recorded", "kept_up")
    )
    assert never[7, SEDIMENT] > recorded[7, SEDIMENT] > kept[7, SEDIMENT]
    assert never[7, ANODE] == pytest.approx(recorded[7, ANODE])
    assert kept[7, ANODE] < never[7, ANODE] - 0.3


def test_the_coming_year_goes_on_from_the_past() -> None:
    services = [{"heater_id": 1, "kind": "anode_renewed", "done": "2022-01-01"}]
    records = made_records([{"anode_kind": "magnesium"}], services)
    last = build_episodes(records).x[-1, ANODE]
    coming = future_states(records, (KIND,), (1,), 5).x[0, :, ANODE]
    assert np.all(np.diff(coming) > 0)
    assert last <= coming[0] + 0.02


def test_unknown_buildings_and_wrong_words() -> None:
    records = made_records([{"building_id": 5}, {}])
    np.testing.assert_array_equal(future_states(records, (KIND,), (1,), 2).building, [-1, 0])
    with pytest.raises(ValueError, match="has no lifetime"):
        future_states(records, ("heat_pump",), (1,), 2)
    with pytest.raises(ValueError, match="choose from"):
        future_states(records, (KIND,), (1,), 2, care="sometimes")
    with pytest.raises(ValueError, match="is not one of"):
        build_episodes(records, ("heat_pump",))


def test_a_building_with_a_habit_is_presumed_to_have_had_it() -> None:
    """Renewals every four years on record: an old heater is not taken for neglected when its record begins."""
    services = [
        {"heater_id": heater, "kind": "anode_renewed", "done": f"{year}-06-01"}
        for heater, year in ((1, 2017), (1, 2021), (2, 2018), (2, 2022))
    ]
    heaters = [{"anode_kind": "magnesium", "building_id": 1} for _ in range(2)]
    other = {"anode_kind": "magnesium", "building_id": 2}
    episodes = build_episodes(made_records([*heaters, other], services))
    assert at_age(episodes, 5.5, ANODE, 0) < at_age(episodes, 5.5, ANODE, 2) - 0.2
    twice = build_episodes(made_records([*heaters, other], services[:2]))
    assert at_age(twice, 5.5, ANODE, 0) == at_age(twice, 5.5, ANODE, 2)


def test_a_service_tried_today_starts_no_habit() -> None:
    today = [{"heater_id": i, "kind": "anode_renewed", "done": "2025-01-01"} for i in (1, 2, 3, 4)]
    heaters = [{"anode_kind": "magnesium"} for _ in range(4)]
    coming = future_states(made_records(heaters, today), (KIND,), (1,), 12).x[0, :, ANODE]
    plain = future_states(made_records(heaters), (KIND,), (1,), 12).x[0, :, ANODE]
    assert coming[0] < plain[0] - 0.5
    assert coming[11] > -0.2  # not renewed again


@pytest.mark.parametrize("occasion", ["setpoint_changed", "inspected", "repaired"])
def test_a_set_point_read_on_any_occasion_is_known_from_that_day(occasion: str) -> None:
    records = made_records(
        [{}], [{"heater_id": 1, "kind": occasion, "done": "2020-05-01", "setpoint_f": 145.0}]
    )
    episodes = build_episodes(records)
    assert at_age(episodes, 8.0, SETPOINT) == 0.0
    assert at_age(episodes, 12.0, SETPOINT) == pytest.approx(2.0)
    assert future_states(records, [KIND], [], 1).known["setpoint"].all()
