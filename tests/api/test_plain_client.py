"""A program that knows only the OpenAPI document, over a live server: imports a record, plans, works the queue.

Nothing of ours is imported by the program itself: it finds every address by the operation's name in the document.
"""

from __future__ import annotations

import threading
from typing import Any

import httpx
import pytest
from django.db import connection

from fleet.estate import background
from tests.api.conftest import token_for
from tests.conftest import Cast

ROWS = "".join(
    f"Cedar Yard,{'North' if number % 2 else 'South'},Place {number},CY-{number},gas,50,{2005 + number % 18}\n"
    for number in range(30)
)
SHEET = "Property,Building,Location,Tag,Type,Gallons,Installed\n" + ROWS


class Program:
    """Reads the document once and calls operations by their names."""

    def __init__(self, address: str, token: str) -> None:
        self.http = httpx.Client(base_url=address, timeout=60, headers={"Authorization": f"Bearer {token}"})
        document = self.http.get("/api/v1/openapi.json").json()
        self.operations = {
            one["operationId"]: (method.upper(), path)
            for path, methods in document["paths"].items()
            for method, one in methods.items()
        }

    def call(self, name: str, expected: int = 200, **more: Any) -> httpx.Response:
        method, path = self.operations[name]
        where = path.format(**{word: more.pop(word) for word in ("id", "code") if f"{{{word}}}" in path})
        answer = self.http.request(method, where, **more)
        assert answer.status_code == expected, (name, answer.status_code, answer.text[:400])
        return answer

    def wait(self, answer: httpx.Response) -> None:
        """Watch the job that an answer of 202 links to."""
        job = answer.links["monitor"]["url"]
        for _ in range(200):
            row = self.http.get(job).json()
            if row["state"] not in ("waiting", "running"):
                assert row["state"] == "done", row
                return
            self.tick()
        raise AssertionError("the job did not end")

    def tick(self) -> None:
        """Where a real program sleeps, the test's worker takes a step."""


def main_job(program: Program) -> dict[str, Any]:
    sent = program.call("post_imports", 202, files={"file": ("list.csv", SHEET, "text/csv")})
    program.wait(sent)
    batch = program.call("get_imports_one", id=sent.json()["id"]).json()
    assert batch["counts"]["new"] == 30, batch["preview"]
    program.wait(program.call("post_imports_one_accept", 202, id=batch["id"], json={}))
    run = program.call("post_forecast_runs", 202, json={"horizon_years": 3, "draws": 100})
    program.wait(run)
    plan = program.call("get_plan", params={"grouping": "building"}).json()
    program.wait(program.call("post_queue_refresh", 202))
    worked = work_the_queue(program)
    changes = program.call("get_changes", params={"kinds": "heaters,tasks"}).json()
    return {"plan": plan, "worked": worked, "changes": changes}


def work_the_queue(program: Program) -> list[dict[str, Any]]:
    """One task of each building, with findings made from what its kind says is usual."""
    done = []
    for building in program.call("get_queue", params={"days": 3650}).json()["buildings"]:
        query = {"building_id": building["building_id"], "state": "open", "limit": 1}
        task = program.call("get_tasks", params=query).json()["items"][0]
        kind = program.call("get_task_kinds_one", code=task["kind"]).json()
        findings = {}
        for field in kind["findings"]:
            if field["type"] == "number":
                findings[field["name"]] = field["usual_low"]
            elif field["type"] == "choice":
                findings[field["name"]] = next(one for one in field["choices"] if one not in field["unsafe"])
            else:
                findings[field["name"]] = "as it should be"
        done.append(
            program.call("post_tasks_one_complete", id=task["id"], json={"findings": findings}).json()
        )
    return done


@pytest.mark.django_db(transaction=True)
def test_the_main_job_runs_through_the_document_alone(cast: Cast, live_server: Any) -> None:
    program = Program(live_server.url, token_for(cast.owner))
    program.tick = worker_step  # type: ignore[method-assign]
    try:
        found = main_job(program)
    finally:
        program.http.close()
    names = {group["name"] for group in found["plan"]["groups"]}
    assert {"Cedar Yard, North", "Cedar Yard, South"} <= names
    assert all(len(group["years"]) >= 3 for group in found["plan"]["groups"])
    assert len(found["worked"]) >= 2
    assert all(one["task"]["state"] == "done" for one in found["worked"])
    told = {(one["kind"], one["id"]) for one in found["changes"]["items"]}
    assert {("tasks", one["task"]["id"]) for one in found["worked"]} <= told


def worker_step() -> None:
    """The background worker is another thread, as it is another process in earnest."""

    def work() -> None:
        background.run_next()
        connection.close()

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
