"""The trade's rules, one line each, with where it comes from (research note of the trade's intervals)."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.care.kinds import task_kinds
from fleet.care.rules import RULES, AnodeLook, Facts, SiteSetting, add_months, decide

PRACTICE = "common practice, no source"
TODAY = date(2026, 6, 1)
# Care was kept here before anything fell due, unless a line says otherwise.
NEW = Facts(1, "gas_storage_atmospheric", started_on=date(2024, 6, 1), known_since=date(2016, 1, 1))


def facts(**values: Any) -> Facts:
    return replace(NEW, **values)


# (what, facts, task kind, due day or None, rule, source of the rule)
TABLE: list[tuple[str, Facts, str, date | None, str, str]] = [
    ("flush yearly", facts(last_done={"flush": date(2025, 9, 1)}), "flush", date(2026, 9, 1), "interval",
     "trade list, at least yearly: " + PRACTICE),
    ("new heaters enter the programme in their first year", facts(), "flush", date(2025, 6, 1), "first_interval",
     PRACTICE),
    ("twice a year above 180 mg/L", facts(last_done={"flush": date(2026, 3, 1)}, hardness_mg_l=181), "flush",
     date(2026, 9, 1), "flush_hard_water", "trade pages: 6 months in hard water; class limit USGS"),
    ("yearly at 180 mg/L", facts(last_done={"flush": date(2026, 3, 1)}, hardness_mg_l=180), "flush",
     date(2027, 3, 1), "interval", PRACTICE),
    ("twice a year in hard water kept at 140 F", facts(last_done={"flush": date(2026, 3, 1)}, hardness_mg_l=121,
     setpoint_f=140), "flush", date(2026, 9, 1), "flush_hot_and_hard", PRACTICE),
    ("yearly in hard water kept at 125 F", facts(last_done={"flush": date(2026, 3, 1)}, hardness_mg_l=121,
     setpoint_f=125), "flush", date(2027, 3, 1), "interval", PRACTICE),
    ("an old tank never flushed is not flushed", facts(started_on=date(2017, 6, 1)), "flush", None,
     "old_tank_never_flushed", "trade pages; the 9 years are judgement, no source"),
    ("but looked over", facts(started_on=date(2017, 6, 1)), "tank_inspection", date(2026, 6, 1),
     "old_tank_never_flushed", PRACTICE),
    ("and put forward for replacement", facts(started_on=date(2017, 6, 1)), "replacement_review",
     date(2026, 6, 1), "old_tank_never_flushed", PRACTICE),
    ("a day younger it is still flushed", facts(started_on=date(2017, 6, 2)), "flush", date(2018, 6, 2),
     "first_interval", "the 9 years are judgement, no source"),
    ("an old tank kept flushed goes on", facts(started_on=date(2010, 6, 1), last_done={"flush": date(2025, 8, 1)}),
     "flush", date(2026, 8, 1), "interval", PRACTICE),
    ("a young tank gets no replacement review", facts(), "replacement_review", None, "", PRACTICE),
    ("age and history unknown: no flush", facts(started_on=None), "flush", None, "age_unknown_never_flushed",
     "unknown history counts as never: " + PRACTICE),
    ("age and history unknown: look within the first three months", facts(started_on=None, known_since=TODAY),
     "tank_inspection", date(2026, 7, 6), "age_unknown_never_flushed",
     "ours: 90 days less 76 x 11/15 = 35, an unknown age counting as 11 years; " + PRACTICE),
    ("no record of a flush due before it came here: not years late", facts(started_on=date(2020, 6, 1),
     known_since=TODAY), "flush", date(2026, 10, 11), "no_record",
     "ours: 180 days less 120 x 6/15 = 132 days; no source"),
    ("no record of safety work: sooner", facts(started_on=date(2020, 6, 1), known_since=TODAY),
     "relief_valve_test", date(2026, 7, 31), "no_record", "ours: 90 days less 76 x 6/15, whole days = 60; no source"),
    ("a check that starts as a programme, of safety: with the first rounds", facts(started_on=date(2020, 6, 1),
     known_since=TODAY), "gas_leak_check", date(2026, 7, 31), "no_record", "ours; no source"),
    ("a new heater's first round of it comes a year after installation", facts(started_on=date(2026, 3, 1),
     known_since=TODAY), "gas_leak_check", date(2027, 3, 1), "programme_start", PRACTICE),
    ("an old tank never flushed that came here old is looked over first of all", facts(
     started_on=date(2006, 6, 1), known_since=TODAY), "tank_inspection", date(2026, 6, 15),
     "old_tank_never_flushed", "ours: 14 days from the oldest; no source"),
    ("anode first after 2 years", facts(), "anode_inspection", date(2026, 6, 1), "anode_first_look",
     "DIN 4753-6 as quoted by an anode trade page"),
    ("after 1 year in softened water", facts(softened=True), "anode_inspection", date(2025, 6, 1),
     "anode_softened", "trade page: " + PRACTICE),
    ("earlier by predicted wear", facts(last_done={"anode_inspection": date(2025, 6, 1)},
     anode_looks=(AnodeLook(date(2025, 6, 1), 0.4),)), "anode_inspection", date(2025, 8, 31), "anode_predicted",
     "straight line of 60 % in a year down to a quarter: " + PRACTICE),
    ("no wear forecast beyond the round", facts(last_done={"anode_inspection": date(2026, 5, 1)},
     anode_looks=(AnodeLook(date(2026, 5, 1), 0.95),)), "anode_inspection", date(2028, 5, 1), "anode_first_look",
     PRACTICE),
    ("renewed at a quarter left", facts(anode_looks=(AnodeLook(date(2026, 5, 1), 0.25),)), "anode_renewal",
     date(2026, 5, 31), "anode_left_below_limit", "less than half the diameter: " + PRACTICE),
    ("not renewed above a quarter", facts(anode_looks=(AnodeLook(date(2026, 5, 1), 0.26),)), "anode_renewal",
     None, "", PRACTICE),
    ("a powered anode is not looked at for wear", facts(anode_kind="powered"), "anode_inspection", None, "",
     "a maker page, generic fact: not consumed"),
    ("a new anode starts the count again", facts(last_done={"anode_renewal": date(2026, 1, 1)}),
     "anode_inspection", date(2028, 1, 1), "anode_first_look", PRACTICE),
    ("relief valve yearly", facts(last_done={"relief_valve_test": date(2026, 1, 1)}), "relief_valve_test",
     date(2027, 1, 1), "interval", "heater manual: lever at least yearly"),
    ("a new relief valve counts as tested", facts(last_done={"relief_valve_renewal": date(2026, 2, 1)}),
     "relief_valve_test", date(2027, 2, 1), "interval", PRACTICE),
    ("relief valve renewed by 5 years", facts(), "relief_valve_renewal", date(2029, 6, 1), "first_interval",
     "trade page: check or replace by 5 years"),
    ("29 February plus a year is 28 February", facts(last_done={"flush": date(2024, 2, 29)}), "flush",
     date(2025, 2, 28), "interval", "calendar"),
    ("a site's own interval rules", facts(last_done={"flush": date(2026, 3, 1)},
     settings={"flush": SiteSetting(3, "house rule 7")}), "flush", date(2026, 6, 1), "site_setting", "site"),
    ("a site may leave a kind out", facts(settings={"flush": SiteSetting(None, "done by the lessor", True)}),
     "flush", None, "site_setting", "site"),
    ("left out: counted from that day", facts(last_done={"flush": date(2025, 3, 1)},
     last_skipped={"flush": date(2026, 3, 2)}), "flush", date(2027, 3, 2), "skipped", "a person's decision"),
    ("tankless is not flushed as a tank", facts(kind="gas_tankless"), "flush", None, "", PRACTICE),
]  # fmt: skip


@pytest.mark.parametrize(
    ("what", "known", "kind", "due_on", "rule", "source"), TABLE, ids=[row[0] for row in TABLE]
)
def test_rule(what: str, known: Facts, kind: str, due_on: date | None, rule: str, source: str) -> None:
    assert source
    due, held = decide(known, task_kinds(), TODAY)
    if due_on is None:
        assert kind not in due
        assert (held[kind].rule if kind in held else "") == rule
    else:
        assert (due[kind].due_on, due[kind].rule) == (due_on, rule)
        assert due[kind].why.endswith(".")
        assert rule in RULES


def test_a_relief_valve_untouched_for_years_is_tried_only_with_a_spare_at_hand() -> None:
    """Common practice, no source; the 3 years as the common valve label (from memory, not verified)."""
    untouched, _ = decide(facts(started_on=date(2020, 1, 1)), task_kinds(), TODAY)
    assert "spare" in untouched["relief_valve_test"].caution
    assert "a licensed plumber within reach" in untouched["relief_valve_test"].caution
    for work in ("relief_valve_test", "relief_valve_renewal"):
        one = facts(started_on=date(2020, 1, 1), last_done={work: date(2024, 1, 1)})
        touched, _ = decide(one, task_kinds(), TODAY)
        assert touched["relief_valve_test"].caution == "", work
    unknown, _ = decide(facts(started_on=None), task_kinds(), TODAY)
    assert "spare" in unknown["relief_valve_test"].caution


@given(
    years=st.lists(st.integers(0, 40), min_size=2, max_size=2),
    kind=st.sampled_from(["flush", "relief_valve_test"]),
)
def test_first_rounds_go_by_risk_and_all_within_half_a_year(years: list[int], kind: str) -> None:
    """Older before younger, safety before the rest, nothing before the day it came here."""
    days = []
    for age in sorted(years):
        known = facts(started_on=add_months(TODAY, -12 * age), known_since=TODAY, last_done={})
        due, held = decide(known, task_kinds(), TODAY)
        if kind in held:
            return
        if due[kind].rule == "no_record":
            days.append(due[kind].due_on)
            assert TODAY < due[kind].due_on <= TODAY + timedelta(days=180)
            assert "No record" in due[kind].why
    assert days == sorted(days, reverse=True)


@given(later=st.integers(0, 4000))
def test_a_first_round_stays_where_it_is(later: int) -> None:
    """The day hangs on when the heater came here, not on when it is asked for."""
    known = facts(started_on=date(2022, 6, 1), known_since=TODAY)
    first, _ = decide(known, task_kinds(), TODAY)
    then, held = decide(known, task_kinds(), TODAY + timedelta(days=later))
    for code, one in first.items():
        if code not in held and code in then:
            assert (then[code].due_on, then[code].why) == (one.due_on, one.why)


def test_every_due_task_says_why_and_every_rule_names_its_source() -> None:
    assert all(RULES.values())
    for known in (row[1] for row in TABLE):
        due, held = decide(known, task_kinds(), TODAY)
        assert all(decision.why for decision in due.values())
        assert not any(re.search(r"\d%", decision.why) for decision in due.values())  # the house writes 50 %
        assert all(decision.rule in RULES for decision in due.values())
        assert all(one.why for one in held.values())


DAYS = st.dates(date(2000, 1, 1), date(2060, 12, 31))


@given(DAYS, st.integers(0, 120), st.integers(0, 120))
def test_months_never_overshoot(day: date, first: int, second: int) -> None:
    moved = add_months(day, first)
    assert (moved.year * 12 + moved.month) - (day.year * 12 + day.month) == first
    assert moved.day <= day.day
    assert add_months(day, first + second) >= add_months(moved, second)
    assert add_months(day, 12) - day <= timedelta(days=366)


@given(
    started=st.none() | DAYS,
    flushed=st.none() | DAYS,
    hardness=st.none() | st.floats(0, 900),
    looks=st.lists(st.tuples(DAYS, st.floats(0, 1)), max_size=3),
    today=DAYS,
)
def test_deciding_never_changes_the_facts_and_never_both_flushes_and_withholds(
    started: date | None,
    flushed: date | None,
    hardness: float | None,
    looks: list[tuple[date, float]],
    today: date,
) -> None:
    done = {"flush": flushed} if flushed else {}
    known = facts(
        started_on=started,
        last_done=done,
        hardness_mg_l=hardness,
        anode_looks=tuple(AnodeLook(*look) for look in sorted(looks)),
    )
    before = repr(known)
    first = decide(known, task_kinds(), today)
    assert decide(known, task_kinds(), today) == first
    assert repr(known) == before
    due, held = first
    assert ("flush" in due) != ("flush" in held)
    assert not ("anode_inspection" in due and "anode_renewal" in due)
