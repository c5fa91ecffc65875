"""Roll-forward: twice is once, small steps and one leap end alike, endings end the care."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleet.care import roll, services
from fleet.care.models import CareStart, Task
from fleet.care.rules import decide
from fleet.estate.background import enqueue, work_off
from fleet.estate.scope import unscoped
from fleet.heaters.models import Heater, ServiceRecord, WaterTest
from tests.conftest import Cast, make_heater

DAY = date(2026, 6, 1)


def standing(**only: Any) -> list[tuple[Any, ...]]:
    rows = Task.objects.filter(state="open", **only).order_by("heater_id", "kind")
    return list(rows.values_list("heater_id", "kind", "cycle", "due_on", "rule", "reason", "caution"))


def everything() -> list[tuple[Any, ...]]:
    rows = Task.objects.order_by("heater_id", "kind", "cycle")
    return list(
        rows.values_list("pk", "heater_id", "kind", "cycle", "due_on", "state", "rule", "reason", "caution")
    )


def record(heater: Heater, kind: str, day: date, **fields: Any) -> ServiceRecord:
    return ServiceRecord.objects.create(
        organisation=heater.organisation, heater=heater, kind=kind, done_earliest=day, done_latest=day,
        done_precision="day", **fields,
    )  # fmt: skip


def test_twice_is_once(in_house: Cast) -> None:
    record(in_house.heater, "flush", date(2026, 1, 5))
    first = services.roll_forward(in_house.house, DAY)
    before = everything()
    second = services.roll_forward(in_house.house, DAY)
    assert first.created == len(before) > 0
    assert (second.created, second.changed, second.dropped) == (0, 0, 0)
    assert everything() == before


def test_late_under_our_eyes_is_late_and_late_before_is_not(in_house: Cast) -> None:
    """Installed 10 Mar 2025, care kept here since 1 Jan 2026: the flush of 10 Mar 2026 was missed here, and says so."""
    made = date(2025, 3, 10)
    heater = make_heater(in_house.house, tag="H-2", installed_earliest=made, installed_latest=made)
    services.roll_forward(in_house.house, date(2026, 1, 1))
    services.roll_forward(in_house.house, DAY)
    assert standing(heater=heater, kind="flush")[0][3:5] == (date(2026, 3, 10), "first_interval")
    assert CareStart.objects.get(heater=heater).began_on == date(2026, 1, 1)
    assert standing(heater=in_house.heater, kind="relief_valve_test")[0][3] > date(2026, 1, 1)


def test_only_its_own_organisation(in_house: Cast) -> None:
    services.roll_forward(in_house.house, DAY)
    assert {row[0] for row in standing()} == {in_house.heater.pk}


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    installed=st.none() | st.dates(date(2008, 1, 1), date(2024, 2, 29)),
    flushed=st.none() | st.dates(date(2015, 1, 1), date(2024, 3, 1)),
    start=st.dates(date(2024, 1, 1), date(2024, 3, 1)),
    steps=st.lists(st.integers(1, 500), min_size=1, max_size=5),
)
def test_small_steps_and_one_leap_end_alike(
    in_house: Cast, installed: date | None, flushed: date | None, start: date, steps: list[int]
) -> None:
    """Going day by day, month by month or in one leap of years leaves the same open work."""
    Task.objects.all().delete()
    ServiceRecord.objects.all().delete()
    heater = in_house.heater
    Heater.objects.filter(pk=heater.pk).update(
        installed_earliest=installed,
        installed_latest=installed,
        installed_precision="day" if installed else "unknown",
    )
    if flushed:
        record(heater, "flush", flushed)
    end = start + timedelta(days=sum(steps))
    services.roll_forward(in_house.house, start)
    services.roll_forward(in_house.house, end)
    leap = standing()
    Task.objects.all().delete()
    day = start
    services.roll_forward(in_house.house, day)
    for step in steps:
        day += timedelta(days=step)
        services.roll_forward(in_house.house, day)
    assert [row[:2] + row[3:] for row in standing()] == [row[:2] + row[3:] for row in leap]


def test_every_day_over_a_leap_day_ends_as_one_step(in_house: Cast) -> None:
    record(in_house.heater, "flush", date(2023, 2, 28))
    for offset in range(0, 32):
        services.roll_forward(in_house.house, date(2024, 2, 10) + timedelta(days=offset))
    small = standing()
    Task.objects.all().delete()
    services.roll_forward(in_house.house, date(2024, 2, 10))
    services.roll_forward(in_house.house, date(2024, 3, 12))
    assert standing() == small


def test_an_ended_heater_needs_no_care(in_house: Cast) -> None:
    services.roll_forward(in_house.house, DAY)
    in_house.heater.ending = "tank_leak"
    in_house.heater.removed_precision = "day"
    in_house.heater.removed_earliest = in_house.heater.removed_latest = DAY
    in_house.heater.save()
    result = services.roll_forward(in_house.house, DAY + timedelta(days=1))
    assert result.dropped > 0
    assert not standing()
    assert set(Task.objects.values_list("closed_because", flat=True)) == {"The heater left service."}


def test_work_found_later_moves_the_open_task(in_house: Cast) -> None:
    make_heater(
        in_house.house, tag="H-2", installed_earliest=date(2022, 1, 1), installed_latest=date(2022, 1, 1)
    )
    heater = Heater.objects.get(tag="H-2")
    services.roll_forward(in_house.house, DAY)
    assert standing(heater=heater, kind="flush")[0][4] == "no_record"
    record(heater, "flush", date(2026, 2, 1))
    services.roll_forward(in_house.house, DAY)
    rows = standing(heater=heater, kind="flush")
    assert [row[3] for row in rows] == [date(2027, 2, 1)]
    assert "1 Feb 2026" in rows[0][5]


def test_what_somebody_does_while_a_roll_reads_stays_as_they_left_it(
    in_house: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A flush would move for the work just put on record; while the rules are asked, a person skips it."""
    made = date(2022, 1, 1)
    heater = make_heater(in_house.house, tag="H-2", installed_earliest=made, installed_latest=made)
    services.roll_forward(in_house.house, DAY)
    task = Task.objects.get(heater=heater, kind="flush")
    record(heater, "flush", date(2026, 2, 1))

    def meanwhile(*asked: Any) -> Any:
        skipped = Task.objects.filter(pk=task.pk)
        skipped.update(state="skipped", closed_on=DAY, closed_because="The tenant was away.")
        return decide(*asked)

    monkeypatch.setattr(roll, "decide", meanwhile)
    services.roll_forward(in_house.house, DAY)
    left = Task.objects.get(pk=task.pk)
    assert (left.state, left.due_on, left.reason) == ("skipped", task.due_on, task.reason)


def test_a_vague_record_counts_from_its_earliest_day(in_house: Cast) -> None:
    ServiceRecord.objects.create(
        organisation=in_house.house, heater=in_house.heater, kind="flush", done_earliest=date(2025, 1, 1),
        done_latest=date(2025, 12, 31), done_precision="year",
    )  # fmt: skip
    services.roll_forward(in_house.house, DAY)
    assert standing(kind="flush")[0][3] == date(2026, 1, 1)


def test_the_hard_water_of_its_building_shortens_the_round(in_house: Cast) -> None:
    record(in_house.heater, "flush", date(2026, 3, 1))
    WaterTest.objects.create(
        organisation=in_house.house, property=in_house.property, hardness_mg_l=90,
        tested_earliest=date(2025, 1, 1), tested_latest=date(2025, 1, 1), tested_precision="day",
    )  # fmt: skip
    services.roll_forward(in_house.house, DAY)
    assert standing(kind="flush")[0][4] == "interval"
    WaterTest.objects.create(
        organisation=in_house.house, property=in_house.property, building=in_house.building, hardness_mg_l=320,
        tested_earliest=date(2024, 1, 1), tested_latest=date(2024, 1, 1), tested_precision="day",
    )  # fmt: skip
    services.roll_forward(in_house.house, DAY)
    assert standing(kind="flush")[0][3:5] == (date(2026, 9, 1), "flush_hard_water")


def test_growing_old_unflushed_turns_the_flush_into_a_review(in_house: Cast) -> None:
    """Installed 3 May 2016; nine years later the flush is withdrawn with its reason."""
    services.roll_forward(in_house.house, date(2025, 5, 2))
    assert standing(kind="flush")
    services.roll_forward(in_house.house, date(2025, 5, 3))
    assert not standing(kind="flush")
    assert standing(kind="replacement_review")[0][3] == date(2025, 5, 3)
    dropped = Task.objects.get(kind="flush")
    assert dropped.state == "dropped"
    assert "Sediment" in dropped.closed_because


@pytest.mark.parametrize(
    ("zone", "expected"), [("America/Denver", date(2026, 3, 7)), ("Pacific/Auckland", date(2026, 3, 8))]
)
def test_today_is_the_property_s_own(in_house: Cast, time_machine: Any, zone: str, expected: date) -> None:
    in_house.property.time_zone = zone
    in_house.property.save()
    time_machine.move_to("2026-03-08T03:30:00+00:00", tick=False)
    assert services.local_today(in_house.property) == expected


def test_the_job_does_the_same(in_house: Cast) -> None:
    enqueue("roll_forward", {"as_of": "2026-06-01"}, in_house.house.pk, unique_key="roll")
    assert work_off() == 1
    done = standing()
    assert services.roll_forward(in_house.house, DAY).created == 0
    assert standing() == done != []


def test_fast_wear_brings_the_next_look_forward(in_house: Cast) -> None:
    """Common practice, no source: after the first look, by predicted consumption."""
    installed = date(2023, 5, 1)
    slow, fast = (
        make_heater(in_house.house, tag=tag, installed_earliest=installed, installed_latest=installed)
        for tag in ("S-1", "F-1")
    )
    record(slow, "anode_inspected", date(2026, 5, 1), anode_left_fraction=0.9)
    record(fast, "anode_inspected", date(2026, 5, 1), anode_left_fraction=0.35)
    services.roll_forward(in_house.house, date(2026, 6, 1))
    looks = {row[0]: row for row in standing(kind="anode_inspection")}
    assert slow.pk not in looks or looks[slow.pk][3] == date(2028, 5, 1)
    assert looks[fast.pk][4] == "anode_predicted"
    assert date(2026, 6, 1) < looks[fast.pk][3] < date(2027, 11, 1)
    assert "35 %" in looks[fast.pk][5]


@pytest.mark.services
@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite waits for its disk in another way")
@pytest.mark.django_db(transaction=True)
def test_only_a_whole_roll_does_not_wait_for_the_disk(cast: Cast) -> None:
    """A roll can be made again; what somebody entered cannot."""

    def waits(**only: Any) -> bool:
        with CaptureQueriesContext(connection) as queries:
            services.roll_forward(cast.house, DAY, **only)
        return not any("synchronous_commit" in query["sql"] for query in queries)

    with connection.cursor() as cursor:
        cursor.execute("SET synchronous_commit TO on")  # whatever the role that tests is set to
        try:
            with unscoped("test"):
                assert not waits()
                assert waits(heater_ids=[cast.heater.pk])
                with transaction.atomic():
                    assert waits()
            cursor.execute("SHOW synchronous_commit")
            assert cursor.fetchone() == ("on",)
        finally:
            cursor.execute("RESET synchronous_commit")
