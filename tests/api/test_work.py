"""The queue worked through the API: done once, stopped when unsafe, left out with a reason."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.utils import timezone

from fleet.care.kinds import FindingField, task_kinds
from fleet.care.models import Finding, SentEntry, Task
from fleet.care.services import roll_forward
from fleet.estate.scope import unscoped
from tests.api.conftest import Api
from tests.conftest import Cast


def usual(field: FindingField) -> Any:
    """A value that is neither unusual nor unsafe."""
    if field.type == "number":
        return field.usual_low
    if field.type == "choice":
        return next(choice for choice in field.choices if choice not in field.unsafe)
    return "as it should be"


def good_findings(kind: str) -> dict[str, Any]:
    return {field.name: usual(field) for field in task_kinds()[kind].findings}


@pytest.fixture
def queue(in_house: Cast) -> Cast:
    roll_forward(in_house.house, timezone.now().date())
    return in_house


def first_task(api: Api) -> dict[str, Any]:
    found: dict[str, Any] = api.read("tasks?state=open&limit=1")["items"][0]
    return found


def test_the_queue_leads_to_tasks_and_each_kind_to_its_cautions(api: Api, queue: Cast) -> None:
    due = api.read("queue?days=3650")
    assert [row["building_id"] for row in due["buildings"]] == [queue.building.pk]
    tasks = api.read(f"tasks?building_id={queue.building.pk}&state=open&due_by={due['until']}")["items"]
    assert len(tasks) == due["buildings"][0]["tasks"]
    kind = api.read(f"task-kinds/{tasks[0]['kind']}")
    assert list(kind).index("hazards") < list(kind).index("steps")
    assert kind["hazards"] and kind["stop_work"] and "licensed" in kind["notice"]
    opens, due_on, days = (tasks[0][name] for name in ("opens_on", "due_on", "window_days"))
    assert date.fromisoformat(due_on) - date.fromisoformat(opens) == timedelta(days=days)


def test_a_task_is_completed_once_and_the_next_is_made(api: Api, queue: Cast) -> None:
    task = first_task(api)
    body = {"findings": good_findings(task["kind"]), "note": "quick"}
    answer = api.post(f"tasks/{task['id']}/complete", body)
    assert answer.status_code == 200, answer.content
    done = answer.json()
    assert done["task"]["state"] == "done"
    assert done["stopped"] is False
    assert done["next_task"]["due_on"] > task["due_on"]
    assert {row["name"] for row in api.read(f"findings?task_id={task['id']}")["items"]} == set(
        body["findings"]
    )
    again = api.post(f"tasks/{task['id']}/complete", body)
    assert again.status_code == 409
    assert "already closed" in again.json()["detail"]


def test_an_unsafe_finding_stops_the_task_until_it_is_closed_with_a_name(api: Api, queue: Cast) -> None:
    task = first_task(api)
    answer = api.post(f"tasks/{task['id']}/report-unsafe", {"what": "smell of gas"})
    assert answer.status_code == 201, answer.content
    alert = answer.json()
    assert api.read(f"tasks/{task['id']}")["stopped"] is True
    body = {"findings": good_findings(task["kind"])}
    assert api.post(f"tasks/{task['id']}/complete", body).status_code == 409
    close = f"unsafe-findings/{alert['id']}/close"
    refused = api.post(close, {"follow_up": "valve renewed"})
    assert refused.status_code == 422
    assert refused.json()["errors"] == [{"pointer": "/follow_up_by", "detail": "This field is required."}]
    assert api.post(close, {"follow_up": "valve renewed", "follow_up_by": "M. Invented"}).status_code == 200
    assert api.read("unsafe-findings?open=true")["items"] == []
    assert api.post(f"tasks/{task['id']}/complete", body).status_code == 200


def test_findings_that_cannot_be_are_pointed_at(api: Api, queue: Cast) -> None:
    task = next(
        row
        for row in api.read("tasks?state=open")["items"]
        if any(field.type == "number" for field in task_kinds()[row["kind"]].findings)
    )
    field = next(field for field in task_kinds()[task["kind"]].findings if field.type == "number")
    body = {"findings": good_findings(task["kind"]) | {field.name: 1e9, "colour": "red"}}
    answer = api.post(f"tasks/{task['id']}/complete", body)
    assert answer.status_code == 422
    pointers = {error["pointer"] for error in answer.json()["errors"]}
    assert pointers == {f"/findings/{field.name}", "/findings/colour"}
    with unscoped("test"):
        assert not Finding.objects.exists()


def test_a_days_work_is_sent_at_once_with_a_result_each(api: Api, queue: Cast) -> None:
    tasks = api.read("tasks?state=open&limit=2")["items"]
    rows = [{"task_id": row["id"], "findings": good_findings(row["kind"])} for row in tasks]
    rows += [rows[0], {"task_id": 999_999, "findings": {}}]
    answer = api.post("tasks/complete", {"rows": rows}, idempotency_key="day 1")
    assert [one["status"] for one in answer.json()["results"]] == [200, 200, 409, 404]
    again = api.post("tasks/complete", {"rows": rows}, idempotency_key="day 1")
    assert again.content == answer.content
    assert again["Idempotent-Replayed"] == "true"


def test_moving_and_leaving_out_need_a_reason(api: Api, queue: Cast) -> None:
    task = first_task(api)
    path = f"tasks/{task['id']}"
    for body in ({}, {"reason": ""}, {"reason": " "}):
        assert api.post(f"{path}/skip", body).status_code == 422
    moved = api.post(f"{path}/move", {"due_on": "2030-05-06", "reason": "tenant away"})
    assert moved.json()["due_on"] == "2030-05-06"
    assert moved.json()["overridden"] is True
    assert api.post(f"{path}/skip", {"reason": "shut down"}).json()["state"] == "skipped"


def test_visits_are_laid_out_and_moved(api: Api, queue: Cast) -> None:
    with unscoped("test"):
        Task.objects.update(due_on=timezone.now().date())
    laid = api.post(f"buildings/{queue.building.pk}/visits").json()
    assert laid["visits"] >= 1
    visit = api.read("visits")["items"][0]
    assert api.read(f"tasks?visit_id={visit['id']}")["items"]
    moved = api.post(f"visits/{visit['id']}/move", {"day": "2031-01-02", "reason": "ice"})
    assert (moved.json()["day"], moved.json()["by_hand"]) == ("2031-01-02", True)


def test_an_entry_that_cannot_be_read_is_refused_in_words_and_left_to_the_record(
    api: Api, queue: Cast
) -> None:
    now, task = timezone.now(), Task.objects.order_by("id")[0]
    row = SentEntry.objects.create(
        organisation=queue.house, property=queue.property, key=uuid4(), kind="done", task=task, sent={},
        worked_at=now, received_at=now, result="decide",
    )  # fmt: skip
    answer = api.post(f"phone-entries/{row.pk}/settle", {"choice": "phone", "reason": "covered"})
    assert answer.status_code == 409
    assert "cannot be read" in answer.json()["detail"]
    assert api.post(f"phone-entries/{row.pk}/settle", {"choice": "record", "reason": "x"}).status_code == 200
