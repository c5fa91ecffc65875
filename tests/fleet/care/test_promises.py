"""Promises to a client: they pull a task forward, hold against the rules, and never revive dangerous work."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from fleet.care import services
from fleet.care.models import Task
from fleet.care.promises import PromiseRefused, promise_care, withdraw_promises
from fleet.estate.models import HistoryEntry
from fleet.heaters.models import Heater
from tests.conftest import Cast, make_heater

DAY = date(2026, 6, 1)


@pytest.fixture
def heater(in_house: Cast) -> Heater:
    in_house.house.calendar_stands_at = DAY
    in_house.house.save()
    installed = date(2024, 1, 10)
    row = make_heater(in_house.house, tag="Y-1", installed_earliest=installed, installed_latest=installed)
    services.roll_forward(in_house.house)
    return row


def only(heater: Heater, kind: str) -> Task:
    return Task.objects.get(heater=heater, kind=kind, state="open")


def test_a_promise_pulls_forward_and_holds_against_the_rules(heater: Heater) -> None:
    usual = only(heater, "anode_inspection").due_on
    by = usual - timedelta(days=100)
    promise_care(heater.organisation, heater.pk, "anode_inspection", by, "contract 7")
    for day in (DAY, DAY + timedelta(days=30)):
        services.roll_forward(heater.organisation, day)
        row = only(heater, "anode_inspection")
        assert (row.due_on, row.promised_by, row.promised_words) == (by, by, "contract 7")
    assert "contract 7" in row.reason


def test_a_later_promise_leaves_the_earlier_day(heater: Heater) -> None:
    usual = only(heater, "flush").due_on
    promise_care(heater.organisation, heater.pk, "flush", usual + timedelta(days=40), "contract 7")
    services.roll_forward(heater.organisation)
    assert only(heater, "flush").due_on == usual


def test_twice_is_once_and_only_tightens(heater: Heater) -> None:
    by = date(2026, 8, 1)
    first = promise_care(heater.organisation, heater.pk, "flush", by, "contract 7")
    again = promise_care(heater.organisation, heater.pk, "flush", by, "contract 7")
    later = promise_care(heater.organisation, heater.pk, "flush", by + timedelta(days=9), "contract 8")
    assert first.pk == again.pk == later.pk
    assert only(heater, "flush").promised_by == by
    assert HistoryEntry.objects.filter(verb="task promised").count() == 1
    promise_care(heater.organisation, heater.pk, "flush", by - timedelta(days=9), "contract 8")
    assert only(heater, "flush").promised_by == by - timedelta(days=9)


def test_a_promise_makes_the_task_where_none_is_open(heater: Heater) -> None:
    Task.objects.filter(heater=heater, kind="relief_valve_renewal").delete()
    row = promise_care(heater.organisation, heater.pk, "relief_valve_renewal", date(2026, 9, 1), "contract 7")
    assert (row.due_on, row.rule, row.state) == (date(2026, 9, 1), "promised", "open")
    services.roll_forward(heater.organisation)
    assert only(heater, "relief_valve_renewal").pk == row.pk


def test_an_old_tank_never_flushed_cannot_be_promised_a_flush(in_house: Cast) -> None:
    old = make_heater(in_house.house, tag="OLD", installed_earliest=date(2010, 1, 1))
    with pytest.raises(PromiseRefused, match="Sediment may be plugging"):
        promise_care(in_house.house, old.pk, "flush", DAY, "contract 7")
    assert not Task.objects.filter(heater=old, kind="flush").exists()


def test_a_promise_yields_to_the_safety_rule_with_its_words_kept(heater: Heater) -> None:
    promise_care(heater.organisation, heater.pk, "flush", date(2026, 8, 1), "contract 7")
    services.roll_forward(heater.organisation, date(2033, 2, 1))
    row = Task.objects.get(heater=heater, kind="flush")
    assert row.state == "dropped"
    assert "contract 7" in row.closed_because and "Sediment" in row.closed_because


def test_withdrawn_the_rules_hold_again(heater: Heater) -> None:
    usual = only(heater, "anode_inspection").due_on
    promise_care(heater.organisation, heater.pk, "anode_inspection", date(2026, 7, 1), "contract 7")
    assert withdraw_promises(heater.organisation, [heater.pk], "contract 7 ended") == 1
    row = only(heater, "anode_inspection")
    assert (row.due_on, row.promised_by, row.promised_words) == (usual, None, "")
    assert withdraw_promises(heater.organisation, [heater.pk], "contract 7 ended") == 0


@pytest.mark.parametrize(
    ("kind", "says"), [("paint_it", "not a task kind"), ("tankless_descale", "not done")]
)
def test_what_cannot_be_promised_is_said(heater: Heater, kind: str, says: str) -> None:
    with pytest.raises(PromiseRefused, match=says):
        promise_care(heater.organisation, heater.pk, kind, DAY, "contract 7")


def test_another_organisation_s_heater_is_not_there(in_house: Cast) -> None:
    with pytest.raises(PromiseRefused, match="not on record"):
        promise_care(in_house.house, in_house.foreign_heater.pk, "flush", DAY, "contract 7")
