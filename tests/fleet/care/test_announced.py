"""What somebody has to hear of is written with the change, once."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from fleet.care import labels, missed, services
from fleet.care.kinds import task_kinds
from fleet.care.models import Task
from fleet.estate.models import Happening
from tests.conftest import Cast

NOON = datetime(2026, 6, 1, 18, tzinfo=UTC)


@pytest.fixture
def rolled(in_house: Cast, time_machine: Any) -> Cast:
    time_machine.move_to(NOON, tick=False)
    services.roll_forward(in_house.house)
    return in_house


def test_an_unsafe_finding_is_announced_with_its_page(rolled: Cast) -> None:
    task = Task.objects.filter(heater=rolled.heater, state="open").first()
    assert task is not None
    services.report_unsafe(task, "smell of gas", NOON)
    services.report_unsafe(task, "smell of gas", NOON)
    row = Happening.objects.get(kind="unsafe_finding")
    assert "smell of gas" in row.sentence and "H-1" in row.sentence
    assert (row.urgent, row.property_id) == (True, rolled.property.pk)
    assert row.address == f"/work/heaters/{rolled.heater.pk}/"


def test_a_leak_report_is_announced(rolled: Cast) -> None:
    labels.report_leak(rolled.heater, "water on the floor", NOON)
    row = Happening.objects.get(kind="leak_reported")
    assert "water on the floor" in row.sentence and row.property_id == rolled.property.pk


def test_missed_safety_tasks_are_announced_once_a_task(rolled: Cast) -> None:
    Task.objects.all().delete()

    def one(kind: str, due_on: date) -> Task:
        made: Task = Task.objects.create(
            organisation=rolled.house, heater=rolled.heater, kind=kind, due_on=due_on, rule="x", reason="x",
            window_days=task_kinds()[kind].window_days,
        )  # fmt: skip
        return made

    today = date(2026, 6, 1)
    window = timedelta(days=task_kinds()["draft_check"].window_days)
    one("draft_check", today - window)  # its last day is today: not missed yet
    one("flush", date(2024, 1, 1))  # late, but no safety task
    assert missed.announce_missed(rolled.house, today) == 0
    assert not Happening.objects.exists()
    assert missed.announce_missed(rolled.house, today + timedelta(days=1)) == 1
    assert missed.announce_missed(rolled.house, today + timedelta(days=1)) == 0
    assert missed.announce_missed(rolled.house, today + timedelta(days=9)) == 0
    row = Happening.objects.get(kind="safety_task_missed")
    assert row.sentence.startswith("One safety task at Alder Court")
