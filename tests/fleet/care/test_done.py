"""The manager's view: done, late, left out, and why; as a page and as a table."""

from __future__ import annotations

import csv
import io
import re
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from fleet.care import closed_work, services
from fleet.care.models import Task
from fleet.estate.scope import scope_of_organisation, scoped
from tests.conftest import Cast, make_heater

NOON = datetime(2026, 6, 1, 18, tzinfo=UTC)
FLUSH = {"drained_gal": "12", "colour": "cloudy", "drain_valve": "closes tight", "tank_body": "dry"}


@pytest.fixture
def worked(cast: Cast, time_machine: Any) -> Cast:
    time_machine.move_to(NOON, tick=False)
    with scoped(scope_of_organisation(cast.house)):
        made = date(2024, 1, 10)
        heater = make_heater(cast.house, tag="=Y-1", installed_earliest=made, installed_latest=made)
        services.roll_forward(cast.house, date(2024, 2, 1))
        services.roll_forward(cast.house)
        services.complete_task(Task.objects.get(heater=heater, kind="flush", state="open"), FLUSH, NOON)
        services.skip_task(
            Task.objects.get(heater=heater, kind="anode_inspection", state="open"), "no way in"
        )
    return cast


def test_done_late_and_left_out_with_the_reason(worked: Cast) -> None:
    page = worked.client(worked.planner).get("/work/done/").content.decode()
    assert "1 done, 0 of them within their window; 1 left out" in page
    assert "no way in" in page
    with scoped(scope_of_organisation(worked.house)):
        late = Task.objects.filter(state="open", due_on__lt=date(2026, 6, 1)).count()
    assert f"Late today: {late}." in page
    assert "=Y-1" not in worked.client(worked.outsider).get("/work/done/").content.decode()


def test_the_table_is_safe_to_open(worked: Cast) -> None:
    reply = worked.client(worked.planner).get("/work/done/?as=csv&first=2026-05-01&last=2026-06-01")
    rows = list(csv.DictReader(io.StringIO(reply.getvalue().decode())))
    assert {"Flush sediment", "Look at the anode"} <= {row["work"] for row in rows}
    assert "'=Y-1" in {row["heater"] for row in rows} <= {"'=Y-1", "H-1"}


@pytest.mark.parametrize(
    "query",
    ["?first=x&last=y", "?property=zz", "?page=99", "?first=2030-01-01", "?property=99999999999999999999"],
)
def test_nonsense_is_survived(worked: Cast, query: str) -> None:
    assert worked.client(worked.planner).get(f"/work/done/{query}").status_code == 200


def test_sums_are_of_the_span_and_the_property(worked: Cast) -> None:
    with scoped(scope_of_organisation(worked.house)):
        sums = closed_work.sums(date(2026, 5, 1), date(2026, 5, 31), date(2026, 6, 1), [worked.property.pk])
    assert sums["done"] == 0 and sums["left_out"] == 0


def test_within_the_window_means_up_to_its_last_day(worked: Cast) -> None:
    done = Task.objects
    with scoped(scope_of_organisation(worked.house)):
        [number] = done.filter(state="done").values_list("pk", flat=True)
        for days_late, in_time in ((-40, 1), (0, 1), (10, 1), (11, 0)):
            done.filter(pk=number).update(due_on=date(2026, 6, 1) - timedelta(days=days_late), window_days=10)
            sums = closed_work.sums(date(2026, 5, 1), date(2026, 6, 1), date(2026, 6, 1), None)
            assert (sums["done"], sums["in_time"]) == (1, in_time)


def test_every_closed_task_stands_on_one_leaf_the_latest_first(
    worked: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fleet.care.done_views.PER_LEAF", 3)
    with scoped(scope_of_organisation(worked.house)):
        heaters = [make_heater(worked.house, tag=f"L-{number}") for number in range(5)]
        day = {
            heater: date(2026, 5, 20) + timedelta(days=number % 3) for number, heater in enumerate(heaters)
        }
        for heater in heaters:
            Task.objects.create(
                organisation=worked.house, heater=heater, building=worked.building, kind="flush",
                due_on=date(2026, 5, 1), rule="usual", reason="It is due.", state="done", closed_on=day[heater],
            )  # fmt: skip
    client, span = worked.client(worked.planner), "first=2026-05-20&last=2026-05-22"
    leaves = [client.get(f"/work/done/?{span}&page={number}").content.decode() for number in (1, 2)]
    assert all("Page" in leaf and "of 2" in leaf for leaf in leaves)
    assert [re.findall(r">(L-\d), ", leaf) for leaf in leaves] == [["L-2", "L-4", "L-1"], ["L-3", "L-0"]]
