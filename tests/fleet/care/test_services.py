"""The verbs: done, left out, moved, stopped by something unsafe; what is refused says what would be right."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction
from django.db.models.signals import post_init
from django.test.utils import CaptureQueriesContext

from fleet.care import services
from fleet.care.models import Finding, Task, UnsafeFinding
from fleet.estate.models import HistoryEntry, Property
from fleet.heaters.models import Heater, ServiceRecord, WaterTest
from tests.conftest import Cast, make_heater

NOON = datetime(2026, 6, 1, 18, tzinfo=UTC)  # noon in Denver
GOOD_FLUSH = {"drained_gal": "12", "colour": "cloudy", "drain_valve": "closes tight", "tank_body": "dry"}


@pytest.fixture
def heater(in_house: Cast, time_machine: Any) -> Heater:
    time_machine.move_to(NOON, tick=False)
    installed = date(2024, 1, 10)
    row = make_heater(in_house.house, tag="Y-1", installed_earliest=installed, installed_latest=installed)
    services.roll_forward(in_house.house, date(2024, 2, 1))  # care is kept here since then
    services.roll_forward(in_house.house)
    return row


def task_of(heater: Heater, kind: str) -> Task:
    return Task.objects.get(heater=heater, kind=kind, state="open")


def test_done_writes_the_record_the_history_and_the_next_day(heater: Heater) -> None:
    task = task_of(heater, "flush")
    outcome = services.complete_task(task, GOOD_FLUSH, NOON)
    assert not outcome.stopped
    record = ServiceRecord.objects.get(heater=heater)
    assert (record.kind, record.done_earliest, record.done_precision) == ("flush", date(2026, 6, 1), "day")
    assert {row.name: row.value for row in Finding.objects.filter(task=task)} == {
        "drained_gal": "12 gal",
        "colour": "cloudy",
        "drain_valve": "closes tight",
        "tank_body": "dry",
    }
    following = task_of(heater, "flush")
    assert (following.due_on, following.cycle) == (date(2027, 6, 1), task.cycle + 1)
    assert HistoryEntry.objects.filter(verb="task done").exists()


def test_work_at_one_heater_does_not_read_the_portfolio(in_house: Cast, heater: Heater) -> None:
    for number in range(20):
        place = make_heater(in_house.house, f"Court {number}", f"C-{number}").position.building.property
        WaterTest.objects.create(
            organisation=in_house.house, property=place, treatment="raw", hardness_mg_l=100 + number
        )
    read: list[str] = []

    def count(sender: Any, **_: Any) -> None:
        read.append(sender.__name__)

    post_init.connect(count, sender=Property)
    try:
        with CaptureQueriesContext(connection) as asked:
            services.complete_task(task_of(heater, "flush"), GOOD_FLUSH, NOON)
    finally:
        post_init.disconnect(count, sender=Property)
    [water] = [one["sql"] for one in asked.captured_queries if 'FROM "heaters_watertest"' in one["sql"]]
    assert len(read) < 20 and '"property_id" IN' in water


def test_the_day_is_the_property_s_day(heater: Heater) -> None:
    """02:30 UTC on 1 June is still 31 May in Denver, daylight-saving time."""
    services.complete_task(task_of(heater, "flush"), GOOD_FLUSH, datetime(2026, 6, 1, 2, 30, tzinfo=UTC))
    assert ServiceRecord.objects.get(heater=heater).done_latest == date(2026, 5, 31)


def test_an_anode_nearly_gone_brings_its_renewal(heater: Heater) -> None:
    services.complete_task(
        task_of(heater, "anode_inspection"),
        {"left_percent": "20", "coating": "even wear", "tank_body": "dry"},
        NOON,
    )
    assert ServiceRecord.objects.get(heater=heater).anode_left_fraction == pytest.approx(0.2)
    assert task_of(heater, "anode_renewal").due_on == date(2026, 7, 1)
    assert not Task.objects.filter(heater=heater, kind="anode_inspection", state="open").exists()


def test_beyond_the_usual_is_asked_once_again(heater: Heater) -> None:
    task = task_of(heater, "flush")
    odd = GOOD_FLUSH | {"drained_gal": "400"}
    with pytest.raises(services.CareRefused) as refused:
        services.complete_task(task, odd, NOON)
    assert "2 to 120 gal" in refused.value.problems["drained_gal"]
    assert not Finding.objects.exists()
    services.complete_task(task, odd, NOON, sure=True)
    assert Finding.objects.get(name="drained_gal").number == 400


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("drained_gal", "5000", "0 to 1000"),
        ("drained_gal", "-1", "0 to 1000"),
        ("drained_gal", "nan", "cannot be"),
        ("drained_gal", "a lot", "not a number"),
        ("drained_gal", "", "nothing entered"),
        ("colour", "green", "clear, cloudy, rust"),
        ("weather", "fine", "not recorded"),
    ],
)
def test_what_cannot_be_is_refused_even_when_sure(heater: Heater, name: str, value: str, says: str) -> None:
    task = task_of(heater, "flush")
    with pytest.raises(services.CareRefused) as refused:
        services.complete_task(task, GOOD_FLUSH | {name: value}, NOON, sure=True)
    assert says in refused.value.problems[name]
    assert task_of(heater, "flush") == task


def test_done_twice_is_told_plainly_and_done_once(heater: Heater) -> None:
    task = task_of(heater, "flush")
    services.complete_task(task, GOOD_FLUSH, NOON)
    with pytest.raises(services.CareRefused, match="already closed"):
        services.complete_task(task, GOOD_FLUSH, NOON)
    assert ServiceRecord.objects.count() == 1


def test_a_heater_replaced_since_is_told_plainly(heater: Heater) -> None:
    task = task_of(heater, "flush")
    Heater.objects.filter(pk=heater.pk).update(
        ending="tank_leak",
        removed_precision="day",
        removed_earliest=date(2026, 5, 1),
        removed_latest=date(2026, 5, 1),
    )
    with pytest.raises(services.CareRefused, match="left service"):
        services.complete_task(task, GOOD_FLUSH, NOON)


def test_the_future_cannot_have_been_worked_in(heater: Heater) -> None:
    with pytest.raises(services.CareRefused, match="passed"):
        services.complete_task(task_of(heater, "flush"), GOOD_FLUSH, NOON + timedelta(days=1))


def test_left_out_needs_a_reason_and_comes_again(heater: Heater) -> None:
    task = task_of(heater, "flush")
    with pytest.raises(services.CareRefused):
        services.skip_task(task, "  ")
    services.skip_task(task, "No way in, the tenant was away")
    task.refresh_from_db()
    assert (task.state, task.closed_because) == ("skipped", "No way in, the tenant was away")
    assert task_of(heater, "flush").due_on == date(2027, 6, 1)
    assert HistoryEntry.objects.get(verb="task skipped").reason == "No way in, the tenant was away"


def test_a_day_set_by_hand_stays_and_its_reason_is_kept(heater: Heater) -> None:
    task = task_of(heater, "flush")
    with pytest.raises(services.CareRefused):
        services.override_due(task, date(2026, 9, 9), "")
    services.override_due(task, date(2026, 9, 9), "With the roof works")
    services.roll_forward(heater.organisation, date(2026, 7, 1))
    task.refresh_from_db()
    assert (task.due_on, task.overridden, task.state) == (date(2026, 9, 9), True, "open")
    entry = HistoryEntry.objects.get(verb="task moved")
    assert (entry.changes["due_on"], entry.reason) == (["2025-01-10", "2026-09-09"], "With the roof works")


def test_a_comma_that_can_be_read_in_two_ways_is_asked_about(heater: Heater) -> None:
    """1,200 is twelve hundred in one country and a little over one in another; 12,5 is plain."""
    task = task_of(heater, "flush")
    with pytest.raises(services.CareRefused) as refused:
        services.complete_task(task, GOOD_FLUSH | {"drained_gal": "1,200"}, NOON, sure=True)
    assert "two ways" in refused.value.problems["drained_gal"]
    services.complete_task(task, GOOD_FLUSH | {"drained_gal": "12,5"}, NOON)
    assert Finding.objects.get(name="drained_gal").number == 12.5


def test_something_unsafe_stops_alerts_and_asks_for_a_follow_up(heater: Heater) -> None:
    task = task_of(heater, "flush")
    outcome = services.complete_task(task, GOOD_FLUSH | {"tank_body": "leaks"}, NOON)
    assert outcome.stopped
    task.refresh_from_db()
    assert (task.state, task.stopped) == ("open", True)
    assert not ServiceRecord.objects.exists()
    assert Finding.objects.get(name="tank_body").unsafe
    alert = UnsafeFinding.objects.get()
    with pytest.raises(services.CareRefused, match="unsafe finding"):
        services.complete_task(task, GOOD_FLUSH, NOON)
    with pytest.raises(services.CareRefused):
        services.skip_task(task, "later")
    for follow_up, by in (("", ""), ("Shut off and drained", " "), ("", "A. Plumber")):
        with pytest.raises(services.CareRefused, match="named follow-up"):
            services.close_unsafe(alert, follow_up, by, NOON)
    services.close_unsafe(alert, "Shut off and drained", "A. Plumber", NOON)
    task.refresh_from_db()
    assert not task.stopped
    with pytest.raises(services.CareRefused, match="Already closed"):
        services.close_unsafe(alert, "Again", "A. Plumber", NOON)


def test_it_stays_stopped_until_the_last_unsafe_finding_is_closed(heater: Heater) -> None:
    task, other = task_of(heater, "flush"), task_of(heater, "relief_valve_test")
    alerts = [
        services.report_unsafe(task, "Smell of gas", NOON),
        services.report_unsafe(other, "Steam", NOON),
    ]
    for alert, stopped in zip(alerts, (True, False), strict=True):
        services.close_unsafe(alert, "Mended and tested", "A. Plumber", NOON)
        for one in (task, other):
            one.refresh_from_db()
            assert one.stopped is stopped


def test_unsafe_is_kept_even_when_other_answers_are_missing(heater: Heater) -> None:
    outcome = services.complete_task(task_of(heater, "flush"), {"tank_body": "leaks"}, NOON)
    assert outcome.stopped


def test_the_same_unsafe_report_sent_twice_alerts_once(heater: Heater) -> None:
    task = task_of(heater, "flush")
    services.report_unsafe(task, "Smell of gas", NOON)
    services.report_unsafe(task, "Smell of gas", NOON)
    assert UnsafeFinding.objects.count() == 1


def test_the_database_itself_refuses_to_close_unsafe_without_follow_up(heater: Heater) -> None:
    alert = services.report_unsafe(task_of(heater, "flush"), "Smell of gas", NOON)
    with pytest.raises(IntegrityError), transaction.atomic():
        UnsafeFinding.objects.filter(pk=alert.pk).update(closed_at=NOON)


def test_a_site_s_own_interval_and_worker(heater: Heater) -> None:
    from fleet.care.selectors import worker_of

    place = heater.position.building.property
    with pytest.raises(services.CareRefused):
        services.set_care(place, "flush", source="")
    services.set_care(place, "flush", "house rule 7", interval_months=6, done_by="licensed_plumber")
    services.roll_forward(heater.organisation)
    task = task_of(heater, "flush")
    assert task.due_on == date(2024, 7, 10)
    assert "house rule 7" in task.reason
    assert worker_of(task) == "licensed plumber"
    services.set_care(place, "flush", "done by the lessor", switched_off=True)
    services.roll_forward(heater.organisation)
    assert not Task.objects.filter(heater=heater, kind="flush", state="open").exists()


def test_what_was_found_brings_the_record_up_to_date(heater: Heater) -> None:
    answers = {"static_psi": "72", "regulator": "yes"}
    services.complete_task(task_of(heater, "static_pressure"), answers, NOON)
    warm = {"near_tap_f": "124", "bath_f": "118", "limiter": "nobody vulnerable", "setpoint_f": "130"}
    services.complete_task(task_of(heater, "tap_temperature"), warm, NOON)
    row = Heater.objects.select_related("position").get(pk=heater.pk)
    assert (row.setpoint_f, row.position.static_pressure_psi) == (130, 72)
    assert ServiceRecord.objects.get(heater=heater, kind="setpoint_changed").setpoint_f == 130
    assert HistoryEntry.objects.filter(verb="found by care").count() == 2


def test_a_new_anode_is_known_by_its_metal(heater: Heater) -> None:
    low = {"left_percent": "20", "coating": "even wear", "tank_body": "dry"}
    services.complete_task(task_of(heater, "anode_inspection"), low, NOON)
    services.complete_task(
        task_of(heater, "anode_renewal"),
        {"metal": "aluminium with zinc", "joint": "dry"},
        NOON + timedelta(seconds=1),
    )
    heater.refresh_from_db()
    assert heater.anode_kind == "aluminium_zinc"
    assert not Task.objects.filter(heater=heater, kind="anode_renewal", state="open").exists()
