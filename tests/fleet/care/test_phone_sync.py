"""What phones send: applied once, in order, with the right time; what the record outran waits with both values."""

from __future__ import annotations

import json
import uuid
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.contrib.staticfiles import finders
from django.test import Client

from fleet.care import services, visits
from fleet.care.models import Finding, SentEntry, Task, UnsafeFinding, Visit
from fleet.estate.history import record_change
from fleet.estate.models import Happening, Person
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.heaters.models import Heater, ServiceRecord
from fleet.planning.models import ForecastRun, HeaterOutlook
from tests.conftest import Cast, make_heater

NOON = datetime(2026, 6, 1, 18, tzinfo=UTC)  # noon in Denver
FLUSH = {"drained_gal": "12", "colour": "cloudy", "drain_valve": "closes tight", "tank_body": "dry"}


@pytest.fixture
def crew(cast: Cast, time_machine: Any) -> Cast:
    time_machine.move_to(NOON, tick=False)
    with scoped(scope_of_organisation(cast.house)):
        made = date(2024, 1, 10)
        make_heater(cast.house, tag="Y-1", installed_earliest=made, installed_latest=made, setpoint_f=120)
        services.roll_forward(cast.house)
        visits.visit_on(cast.building, date(2026, 6, 1), horizon_days=400)
    return cast


def task_of(cast: Cast, kind: str = "flush") -> Task:
    with scoped(scope_of_organisation(cast.house)):
        return Task.objects.get(heater__tag="Y-1", kind=kind, state="open")


def entry(task: Task, kind: str = "done", **more: Any) -> dict[str, Any]:
    found = {"key": str(uuid.uuid4()), "kind": kind, "task": task.pk, "claimed_at": NOON.isoformat()}
    return found | ({"answers": FLUSH} if kind == "done" else {}) | more


def send(client: Client, *entries: Any, device_now: datetime = NOON) -> list[dict[str, Any]]:
    body = {"device_now": device_now.isoformat(), "entries": list(entries)}
    reply = client.post("/work/phone/sync/", json.dumps(body), content_type="application/json")
    assert reply.status_code == 200, reply.content
    return list(reply.json()["results"])


def rows(model: Any, **only: Any) -> list[Any]:
    with unscoped("reading what was kept"):
        return list(model.objects.filter(**only))


def test_an_entry_is_applied_once_however_often_it_comes(crew: Cast) -> None:
    client = crew.client(crew.technician)
    one = entry(task_of(crew), words="went well")
    first = send(client, one)
    again = send(client, one, one)
    assert [row["result"] for row in first + again] == ["kept"] * 3
    assert first[0] == again[0]
    assert len(rows(Finding)) == len(FLUSH)
    assert len(rows(ServiceRecord)) == 1
    assert len(rows(SentEntry)) == 1
    assert rows(Task, kind="flush", state="done")[0].closed_because == "went well"


def test_a_usual_entry_asks_the_database_little(crew: Cast, django_assert_max_num_queries: Any) -> None:
    """Two hundred people send three thousand of them in ten minutes."""
    client, one = crew.client(crew.technician), entry(task_of(crew))
    send(client, entry(task_of(crew, "shutoff_valves"), "left_out", words="no time"))
    with django_assert_max_num_queries(30):
        assert send(client, one)[0]["result"] == "kept"


def test_one_that_cannot_be_read_does_not_hold_up_the_others(crew: Cast) -> None:
    good, task = entry(task_of(crew)), task_of(crew)
    bad = [
        {"key": "x"}, "nonsense", None, entry(task, kind="paint"), entry(task) | {"task": "7"},
        entry(task) | {"answers": [1]}, entry(task) | {"claimed_at": "yesterday"}, entry(task) | {"task": True},
        entry(task) | {"words": 7},
    ]  # fmt: skip
    said = send(crew.client(crew.technician), *bad, good)
    assert [row["result"] for row in said] == ["refused"] * len(bad) + ["kept"]
    assert all("Right would be" in row["words"] for row in said[:-1])


@pytest.mark.parametrize(
    "body", [b"", b"[]", b"{}", b'{"entries": 5}', b'{"entries": [], "device_now": "x"}', b"\xff"]
)
def test_a_batch_that_cannot_be_read_is_refused_in_words(crew: Cast, body: bytes) -> None:
    reply = crew.client(crew.technician).post("/work/phone/sync/", body, content_type="application/json")
    assert reply.status_code == 400
    assert "ight would be" in reply.json()["words"]


def test_a_task_closed_elsewhere_waits_with_both_values(crew: Cast) -> None:
    task = task_of(crew)
    with scoped(scope_of_organisation(crew.house, actor="office")):
        services.complete_task(task, FLUSH | {"colour": "clear"}, NOON - timedelta(hours=1))
    said = send(crew.client(crew.technician), entry(task))[0]
    assert said["result"] == "decide"
    assert ["Colour of the water at the start", "clear", "cloudy"] in said["both"]
    assert rows(Happening, kind="phone_entry_waits")
    page = crew.client(crew.planner).get("/work/sent/").content.decode()
    assert "cloudy" in page and "clear" in page
    row = rows(SentEntry)[0]
    address = f"/work/sent/{row.pk}/settle/"
    assert crew.client(crew.technician).post(address, {"choice": "phone", "reason": "x"}).status_code == 403
    assert crew.client(crew.outsider).post(address, {"choice": "phone", "reason": "x"}).status_code == 404
    planner = crew.client(crew.planner)
    assert "A reason" in planner.post(address, {"choice": "phone"}, follow=True).content.decode()
    planner.post(address, {"choice": "phone", "reason": "seen later that day"})
    assert {one.value for one in rows(Finding, name="colour")} == {"clear", "cloudy"}
    assert (
        "settled already"
        in planner.post(address, {"choice": "record", "reason": "y"}, follow=True).content.decode()
    )


def test_something_unsafe_is_heard_even_on_a_closed_task(crew: Cast) -> None:
    task = task_of(crew)
    with scoped(scope_of_organisation(crew.house)):
        services.skip_task(task, "no way in")
    said = send(crew.client(crew.technician), entry(task, answers=FLUSH | {"tank_body": "leaks"}))[0]
    assert said["result"] == "decide"
    assert [row.what for row in rows(UnsafeFinding)] == ["Body of the tank: leaks"]
    assert rows(Happening, kind="unsafe_finding")
    assert (
        send(crew.client(crew.technician), entry(task, kind="unsafe", words="smell of gas"))[0]["result"]
        == "stopped"
    )
    assert {row.what for row in rows(UnsafeFinding)} == {"Body of the tank: leaks", "smell of gas"}


def test_a_heater_replaced_since_waits_and_can_go_to_the_new_one(crew: Cast) -> None:
    task = task_of(crew)
    with scoped(scope_of_organisation(crew.house)):
        old = task.heater
        old.ending, old.removed_precision = "replaced_as_planned", "day"
        old.removed_earliest = old.removed_latest = date(2026, 6, 1)
        old.save()
        new = Heater.objects.create(
            organisation=crew.house, position=old.position, tag="Y-2", kind=old.kind, capacity_gal=50,
            installed_earliest=date(2026, 6, 1), installed_latest=date(2026, 6, 1), installed_precision="day",
        )  # fmt: skip
        Task.objects.create(
            organisation=crew.house, heater=new, kind="flush", due_on=date(2026, 6, 1), rule="x", reason="x"
        )
        services.roll_forward(crew.house)
    said = send(crew.client(crew.technician), entry(task))[0]
    assert said["result"] == "decide"
    assert "left service" in said["words"] + str(said["both"])
    row = rows(SentEntry)[0]
    address = f"/work/sent/{row.pk}/settle/"
    crew.client(crew.planner).post(address, {"choice": "successor", "reason": "plate read on site"})
    assert [one.heater_id for one in rows(ServiceRecord)] == [new.pk]


def test_work_that_the_office_moved_meanwhile_counts_and_is_noted(crew: Cast) -> None:
    task = task_of(crew)
    before = task.due_on.isoformat()
    with scoped(scope_of_organisation(crew.house)):
        services.override_due(task, date(2026, 9, 1), "roof works")
    said = send(
        crew.client(crew.technician), entry(task, base={"due_on": before, "visit_day": "2026-05-30"})
    )[0]
    assert said["result"] == "noted"
    assert [row[0] for row in said["both"]] == ["Due day", "Day of the visit"]
    assert rows(Task, pk=task.pk)[0].state == "done"
    row = rows(SentEntry)[0]
    page = crew.client(crew.planner).post(
        f"/work/sent/{row.pk}/settle/", {"choice": "phone", "reason": "x"}, follow=True
    )
    assert "Choose one of: Leave the record" in page.content.decode()


def test_a_value_changed_in_the_office_is_not_overwritten_but_asked(crew: Cast) -> None:
    task = task_of(crew, "tap_temperature")
    answers = {}
    for field in task.task_kind.findings:
        answers[field.name] = str(field.usual_low) if field.type == "number" else field.choices[0]
    answers["setpoint_f"] = "125"
    with scoped(scope_of_organisation(crew.house)):
        Heater.objects.filter(tag="Y-1").update(setpoint_f=130)
    sent = entry(task, answers=answers, base={"values": {"setpoint_f": 120}}, sure=True)
    said = send(crew.client(crew.technician), sent)[0]
    assert said["result"] == "noted"
    assert any("130" in row[1] and "125" in row[2] for row in said["both"])
    assert rows(Heater, tag="Y-1")[0].setpoint_f == 130
    assert rows(Finding, name="setpoint_f")[0].number == 125
    row = rows(SentEntry)[0]
    crew.client(crew.planner).post(
        f"/work/sent/{row.pk}/settle/", {"choice": "phone", "reason": "read on site"}
    )
    assert rows(Heater, tag="Y-1")[0].setpoint_f == 125


def test_a_wrong_clock_is_corrected_and_said(crew: Cast) -> None:
    """The phone is 3 h ahead: what it calls 20:30 was 17:30, when its own day was fetched at 17:00."""
    ahead = timedelta(hours=3)
    one = entry(
        task_of(crew), claimed_at=(NOON - timedelta(minutes=30) + ahead).isoformat(),
        fetched_at=(NOON - timedelta(hours=1)).isoformat(), offset_ms=-ahead.total_seconds() * 1000,
    )  # fmt: skip
    send(crew.client(crew.technician), one, device_now=NOON + ahead)
    row = rows(SentEntry)[0]
    assert row.worked_at == NOON - timedelta(minutes=30)
    assert row.claimed_at == NOON + timedelta(hours=2, minutes=30)
    assert "3 hours ahead" in row.clock_words
    assert rows(Finding, name="colour")[0].seen_at == NOON - timedelta(minutes=30)


def test_an_entry_belongs_to_the_one_who_made_it(crew: Cast) -> None:
    one = entry(task_of(crew))
    send(crew.client(crew.technician), one)
    said = send(crew.client(crew.owner), one)[0]
    assert said["result"] == "refused"
    assert "another person" in said["words"]


def test_another_organisation_s_task_is_not_there(crew: Cast) -> None:
    said = send(crew.client(crew.outsider), entry(task_of(crew)))[0]
    assert said["result"] == "decide"
    assert "not on record" in said["words"]
    assert not rows(Finding)
    assert crew.client(crew.outsider).get("/work/sent/").status_code == 200


def test_begin_and_end_of_a_visit(crew: Cast) -> None:
    visit = rows(Visit)[0]
    client = crew.client(crew.technician)

    def mark(kind: str, minutes: int) -> dict[str, Any]:
        at = (NOON - timedelta(minutes=minutes)).isoformat()
        return {"key": str(uuid.uuid4()), "kind": kind, "visit": visit.pk, "claimed_at": at}

    said = send(client, mark("started", 90), mark("ended", 10), mark("ended", 5), mark("started", 80))
    assert [row["result"] for row in said] == ["kept"] * 4
    visit = rows(Visit)[0]
    assert (visit.started_at, visit.ended_at) == (NOON - timedelta(minutes=90), NOON - timedelta(minutes=10))
    said = send(client, mark("started", 1) | {"visit": 999_999})
    assert said[0]["result"] == "refused" and "tasks are in the queue" in said[0]["words"]


def test_the_day_holds_what_is_needed_without_a_signal(crew: Cast) -> None:
    found = crew.client(crew.technician).get("/work/phone/day/")
    day = found.json()
    assert found["Cache-Control"] == "no-store"
    heater = next(row for row in day["visits"][0]["heaters"] if row["tag"] == "Y-1")
    shut_off = day["shut_offs"][heater["shut_off"]]
    assert shut_off["steps"] and shut_off["dangers"]
    kinds = {task["kind"] for task in heater["tasks"]}
    assert "flush" in kinds
    for code in kinds:
        kind = day["kinds"][code]
        assert kind["stop_work"] and kind["hazards"] and kind["fields"] and kind["source"]
    assert crew.client(crew.outsider).get("/work/phone/day/").json()["visits"] == []


def test_the_day_on_a_phone_holds_no_money_no_secret_and_nothing_of_other_people(crew: Cast) -> None:
    for who in ("owner", "planner", "technician"):
        Person.objects.filter(pk=getattr(crew, who).pk).update(name=f"Quirk the {who}")
    with unscoped("money and people about the heater"):
        heater = Heater.objects.get(tag="Y-1")
        mine: dict[str, Any] = {"organisation": crew.house, "heater": heater}
        service = ServiceRecord.objects.create(
            kind="flush", cost=Decimal("731.19"), done_by="Quirk the fitter", **mine
        )
        record_change(service, "entered")
        run = ForecastRun.objects.create(organisation=crew.house, as_of=NOON.date(), state="done")
        HeaterOutlook.objects.create(
            run=run, rank=1, age_years=9, age_known=True, p_fail_12_months=0.1, p_fail_36_months=0.3,
            remaining_life_p10_years=1, remaining_life_median_years=4, remaining_life_p90_years=9,
            planned_cost=Decimal("1512.34"), emergency_cost=Decimal("2514.36"), **mine,
        )  # fmt: skip
    done = crew.client(crew.planner).post(f"/work/tasks/{task_of(crew).pk}/leave-out/", {"reason": "dry"})
    assert done.status_code == 302
    kept = crew.client(crew.technician).get("/work/phone/day/").json()
    assert kept["person"].pop("name") == "Quirk the technician"
    kept.pop("csrf")  # the page takes it out before it keeps the day
    text = json.dumps(kept)
    assert "Y-1" in text
    for private in ("Quirk", "@", "731", "1512", "2514", "token", "secret", "password"):
        assert private not in text, private


def test_page_and_day_are_small(crew: Cast) -> None:
    """All that goes over the air for a day of eight heaters with all their first rounds, before photos: under 100 KB."""
    with scoped(scope_of_organisation(crew.house)):
        for number in range(6):
            make_heater(crew.house, tag=f"Z-{number}", installed_earliest=None, installed_latest=None)
        services.roll_forward(crew.house)
        visits.visit_on(crew.building, date(2026, 6, 1), horizon_days=60)
    client = crew.client(crew.technician)
    day = client.get("/work/phone/day/", headers={"Accept-Encoding": "gzip"})
    assert day["Content-Encoding"] == "gzip"
    total = len(day.content) + len(client.get("/work/phone/").content)
    worker = client.get("/work/phone/worker.js").content.decode()
    parts = [line for line in worker.split('"') if line.startswith("/static/")]
    assert len(parts) == 9
    total += len(worker)
    for part in parts:
        with open(finders.find(part.removeprefix("/static/")), "rb") as kept:
            total += len(kept.read())
    heaters = client.get("/work/phone/day/").json()["visits"][0]["heaters"]
    assert len(heaters) == 8
    assert sum(len(row["tasks"]) for row in heaters) > 60
    assert total < 100_000, total


def test_the_kept_page_shows_nobody(crew: Cast) -> None:
    page = crew.client(crew.technician).get("/work/phone/").content.decode()
    for private in ("Alder", "Technician", "csrf"):
        assert private not in page


@pytest.mark.parametrize("address", ["/work/phone/", "/work/phone/day/"])
def test_the_phone_s_doors_ask_for_a_person_who_may_work(crew: Cast, address: str) -> None:
    assert Client().get(address).status_code == 302


def test_go_there_today(crew: Cast) -> None:
    client = crew.client(crew.technician)
    reply = client.post(f"/work/buildings/{crew.building.pk}/today/")
    visit = rows(Visit)[0]
    assert reply.url == f"/work/phone/#/v/{visit.pk}"
    assert crew.client(crew.outsider).post(f"/work/buildings/{crew.building.pk}/today/").status_code == 404
