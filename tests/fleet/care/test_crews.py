"""Crews: hours and licences respected when visits are laid out, licensed work not offered to unlicensed site staff."""

from __future__ import annotations

import itertools
from collections import defaultdict
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleet.care import crews, laying, services, visits
from fleet.care.kinds import WORKERS, task_kinds
from fleet.care.models import Crew, Task, UnsafeFinding, Visit
from fleet.care.reading import CareRefused
from fleet.estate.background import enqueue, work_off
from fleet.estate.models import Building, HistoryEntry, Membership
from fleet.estate.scope import Reach, Scope, scope_of_organisation, scoped
from tests.conftest import Cast, make_heater

TODAY = date(2026, 6, 1)
LICENCES = sorted(set(WORKERS) - {"site_staff"})


@pytest.fixture
def site(in_house: Cast, time_machine: Any) -> Cast:
    time_machine.move_to(datetime(2026, 6, 1, 18, tzinfo=UTC), tick=False)
    for number in range(5):
        made = date(2019 + number, 3, 1)
        make_heater(in_house.house, tag=f"Z-{number}", installed_earliest=made, installed_latest=made)
    make_heater(in_house.house, "Elm Court", "E-1", kind="electric_storage")
    services.roll_forward(in_house.house, date(2025, 5, 1))
    services.roll_forward(in_house.house, TODAY)
    return in_house


def due() -> set[int]:
    return set(
        Task.objects.filter(state="open", due_on__lte=TODAY + timedelta(days=60)).values_list("pk", flat=True)
    )


def laid() -> list[Task]:
    return list(
        Task.objects.filter(visit__isnull=False, state="open").select_related(
            "visit__team", "visit__building"
        )
    )


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    teams=st.lists(
        st.tuples(st.integers(60, 480), st.lists(st.sampled_from(LICENCES), unique=True)),
        min_size=1,
        max_size=3,
    )
)
def test_every_task_once_within_hours_and_licences(site: Cast, teams: list[tuple[int, list[str]]]) -> None:
    Visit.objects.all().delete()
    Crew.objects.all().delete()
    for number, (minutes, held) in enumerate(teams):
        crews.keep_crew(site.house, f"Crew {number}", minutes, held, [])
    first = laying.lay_out_all(site.house.pk, TODAY)
    tasks = laid()
    assert {task.pk for task in tasks} == due()
    assert first.tasks == len(tasks)
    by_day: dict[tuple[Any, date], list[Task]] = defaultdict(list)
    for task in tasks:
        team = task.visit.team
        needed = task.task_kind.done_by
        if needed != "site_staff":
            assert (team is not None and needed in team.licences) or not any(
                needed in held for _, held in teams
            )
        by_day[task.visit.team_id, task.visit.day].append(task)
        assert task.visit.day >= TODAY and task.visit.day.weekday() < 5
    for (team_id, _), several in by_day.items():
        if team_id is not None:
            minutes = sum(task.task_kind.minutes for task in several)
            assert (
                minutes <= Crew.objects.get(pk=team_id).minutes_a_day
                or len({t.heater_id for t in several}) == 1
            )
    where = sorted((task.pk, task.visit.day, task.visit.crew) for task in tasks)
    laying.lay_out_all(site.house.pk, TODAY)
    assert sorted((task.pk, task.visit.day, task.visit.crew) for task in laid()) == where


def test_without_a_crew_a_technician_s_day_is_kept_to(site: Cast) -> None:
    """A year's work of a house that has put down no crew is not laid out for one day."""
    most: dict[int, int] = {}
    for technicians in (1, 2):
        laying.lay_out_all(site.house.pk, TODAY)
        tasks = laid()
        assert {task.pk for task in tasks} == due()
        assert sum(task.task_kind.minutes for task in tasks) > 3 * 420
        minutes: dict[date, int] = defaultdict(int)
        for task in tasks:
            minutes[task.visit.day] += task.task_kind.minutes
        most[technicians] = max(minutes.values())
        assert most[technicians] <= 420 * technicians
        Membership.objects.filter(organisation=site.house, person=site.planner).update(role="technician")
    assert most[2] > 420


def test_nothing_is_lost_by_moves_and_new_layouts(site: Cast) -> None:
    crew = crews.keep_crew(site.house, "North", 300, [], [])
    before = due()
    laying.lay_out_all(site.house.pk, TODAY)
    one, other = Visit.objects.order_by("pk")[:2]
    visits.move_visit(one, date(2026, 6, 19), "roof works")
    visits.give_visit(other, crew if other.team_id is None else None, "colleague ill")
    laying.lay_out_all(site.house.pk, TODAY)
    visits.visit_on(Building.objects.get(pk=one.building_id), TODAY)
    laying.lay_out_all(site.house.pk, TODAY)
    assert {task.pk for task in laid()} >= before
    assert due() == before
    assert HistoryEntry.objects.get(verb="visit given to a crew").reason == "colleague ill"


def test_work_that_belongs_together_goes_together(site: Cast) -> None:
    """An anode whose window opens a month later is taken along with the flush: one shut-down. Practice, no source."""
    Task.objects.all().delete()
    rows = {}
    for kind, day in (
        ("flush", TODAY),
        ("anode_inspection", TODAY + timedelta(days=59)),
        ("tap_temperature", TODAY + timedelta(days=59)),
    ):
        rows[kind] = Task.objects.create(
            organisation=site.house,
            heater=site.heater,
            kind=kind,
            due_on=day,
            rule="x",
            reason="x",
            window_days=7,
        )
    assert "anode_inspection" in task_kinds()["flush"].together
    visits.plan_visits(site.building, TODAY)
    days = {kind: Task.objects.get(pk=row.pk).visit.day for kind, row in rows.items()}
    assert days["anode_inspection"] == days["flush"] < days["tap_temperature"]


def as_technician(cast: Cast) -> Scope:
    return Scope((Reach(cast.house.pk),), person_id=cast.technician.pk, actor="Technician")


def licensed_task(cast: Cast) -> tuple[Task, dict[str, str]]:
    task = Task.objects.filter(heater=cast.heater, kind="burner_service", state="open").get()
    answers = {}
    for field in task.task_kind.findings:
        safe = [one for one in field.choices if one not in field.unsafe]
        answers[field.name] = f"{field.usual_low:g}" if field.type == "number" else (safe or ["x"])[0]
    return task, answers


def test_licensed_work_is_not_offered_without_the_licence(site: Cast) -> None:
    task, answers = licensed_task(site)
    now = datetime(2026, 6, 1, 17, tzinfo=UTC)
    with scoped(as_technician(site)), pytest.raises(CareRefused, match="licensed gas fitter"):
        services.complete_task(task, answers, now, sure=True)
    page = site.client(site.technician).get(f"/work/tasks/{task.pk}/").content.decode()
    assert "Record as done" not in page and "Stop the task and raise an alert" in page
    crews.keep_crew(site.house, "Gas", 420, ["licensed_gas_fitter"], [site.technician.pk])
    assert "Record as done" in site.client(site.technician).get(f"/work/tasks/{task.pk}/").content.decode()
    with scoped(as_technician(site)):
        assert not services.complete_task(task, answers, now, sure=True).stopped


def test_a_site_can_set_the_check_aside_and_others_are_not_checked(site: Cast) -> None:
    task, _ = licensed_task(site)
    for person in (site.owner, site.contractor):
        assert "Record as done" in site.client(person).get(f"/work/tasks/{task.pk}/").content.decode()
    planner = site.client(site.planner)
    planner.post(f"/work/properties/{site.property.pk}/card/", {"languages": ["es"]})
    assert "Record as done" in site.client(site.technician).get(f"/work/tasks/{task.pk}/").content.decode()
    assert site.client(site.technician).post(f"/work/properties/{site.property.pk}/card/").status_code == 403


def test_something_unsafe_is_heard_from_anybody(site: Cast) -> None:
    task, answers = licensed_task(site)
    field = next(one for one in task.task_kind.findings if one.unsafe)
    with scoped(as_technician(site)):
        outcome = services.complete_task(
            task, answers | {field.name: field.unsafe[0]}, datetime(2026, 6, 1, 17, tzinfo=UTC)
        )
    assert outcome.stopped and UnsafeFinding.objects.count() == 1


def test_the_phone_offers_the_same(site: Cast) -> None:
    visits.visit_on(site.building, TODAY, horizon_days=400)
    day = site.client(site.technician).get("/work/phone/day/").json()
    offered = {
        task["kind"]: task["offered"]
        for visit in day["visits"]
        for heater in visit["heaters"]
        for task in heater["tasks"]
    }
    assert offered["burner_service"] is False
    assert offered["relief_valve_test"] is True


def test_crews_through_the_pages(site: Cast) -> None:
    planner = site.client(site.planner)
    assert site.client(site.technician).get("/work/crews/").status_code == 403
    good = {
        "name": "North",
        "hours_a_day": "6:40",
        "licences": ["licensed_plumber"],
        "people": [site.technician.pk],
    }
    assert "North is put down" in planner.post("/work/crews/", good, follow=True).content.decode()
    for bad, says in (
        ({"name": ""}, "Give the crew a name"), ({"hours_a_day": "x"}, "7, 7.5 or 7:30 can"),
        ({"hours_a_day": "420"}, "A day of 420 hours cannot be"), ({"licences": ["magic"]}, "not known"),
        ({"people": [site.outsider.pk]}, "does not work here"), ({"name": "North"}, "Another crew has this name"),
    ):  # fmt: skip
        assert (
            says in planner.post("/work/crews/", good | {"name": "South"} | bad, follow=True).content.decode()
        )
    crew = Crew.objects.get()
    planner.post(f"/work/crews/{crew.pk}/", good | {"hours_a_day": "3.5"})
    assert Crew.objects.get().minutes_a_day == 210
    assert site.client(site.outsider).post(f"/work/crews/{crew.pk}/", good).status_code == 404
    enqueue("lay_visits", {}, site.house.pk)
    work_off()
    page = planner.get("/work/visits/").content.decode()
    assert "North" in page and "of the crew's 3 hours 30 minutes" in page


def test_the_order_of_the_day_by_hand(site: Cast) -> None:
    elm = Building.objects.get(property__name="Elm Court")
    one, other = (visits.visit_on(row, TODAY) for row in (site.building, elm))
    client = site.client(site.technician)

    def order() -> list[int]:
        return [row["id"] for row in client.get("/work/phone/day/").json()["visits"]]

    before = order()
    client.post(
        "/work/visits/order/", {"day": "2026-06-01", "crew": "", "visit": before, "earlier": before[1]}
    )
    assert order() == before[::-1] and set(before) == {one.pk, other.pk}
    assert client.post("/work/visits/order/", {"day": "soon"}, follow=True).status_code == 200


def test_begin_and_end_on_the_page(site: Cast) -> None:
    visit = visits.visit_on(site.building, TODAY)
    client = site.client(site.technician)
    for what in ("begun", "ended", "ended"):
        client.post(f"/work/visits/{visit.pk}/mark/", {"what": what})
    row = Visit.objects.get(pk=visit.pk)
    assert row.started_at == row.ended_at == datetime(2026, 6, 1, 18, tzinfo=UTC)


def test_the_list_names_the_first_tasks_and_the_visit_s_own_page_all_of_them(site: Cast) -> None:
    crews.keep_crew(site.house, "North", 480, LICENCES, [site.technician.pk])
    visit = visits.visit_on(site.building, TODAY)
    tasks = visit.tasks.count()
    client = site.client(site.technician)
    listed = client.get("/work/visits/").content.decode()
    assert (
        listed.count('href="/work/tasks/') == 6 < tasks and f"{tasks - 6} more tasks of this visit" in listed
    )
    assert f"/work/visits/{visit.pk}/#change" in listed and "<select" not in listed
    whole = client.get(f"/work/visits/{visit.pk}/").content.decode()
    assert whole.count('href="/work/tasks/') == tasks and "Why this day?" in whole and "North" in whole
    assert site.client(site.outsider).get(f"/work/visits/{visit.pk}/").status_code == 404
    visits.end_visit(visit, datetime(2026, 6, 1, 18, tzinfo=UTC))
    over = client.get(f"/work/visits/{visit.pk}/").content.decode()
    assert "ended" in over and "Why this day?" not in over


def test_more_visits_and_buildings_are_listed_with_as_many_queries(site: Cast) -> None:
    client = site.client(site.technician)

    def queries(address: str, shown: str, times: int) -> int:
        client.get(address)
        with CaptureQueriesContext(connection) as asked:
            page = client.get(address).content.decode()
        assert page.count(shown) == times
        return len(asked)

    visits.visit_on(site.building, TODAY)
    few = queries("/work/visits/", "<article", 1), queries("/work/", 'href="/work/buildings/', 4)
    for number in range(3):
        row = make_heater(site.house, f"Fir Court {number}", f"F-{number}")
        for day in (date(2025, 5, 1), TODAY):
            services.roll_forward(site.house, day, heater_ids=[row.pk])
        visits.visit_on(row.position.building, TODAY)
    assert few == (queries("/work/visits/", "<article", 4), queries("/work/", 'href="/work/buildings/', 10))


def test_late_safety_buildings_come_first(site: Cast) -> None:
    from fleet.care.selectors import due_counts

    rows = due_counts(TODAY)
    assert [row.late_safety for row in rows] == sorted((row.late_safety for row in rows), reverse=True)
    for row in rows:
        mine = Task.objects.filter(
            state="open", building_id=row.building_id, due_on__lte=TODAY + timedelta(days=60)
        )
        assert row.tasks == mine.count() and row.late == mine.filter(due_on__lt=TODAY).count()
    assert all(first.building_id != second.building_id for first, second in itertools.pairwise(rows))


def test_outsiders_have_nothing_here(site: Cast) -> None:
    visit = visits.visit_on(site.building, TODAY)
    client = site.client(site.outsider)
    for address in (f"/work/visits/{visit.pk}/crew/", f"/work/visits/{visit.pk}/mark/"):
        assert client.post(address, {"reason": "x"}).status_code == 404
    with scoped(scope_of_organisation(site.other_house)):
        visits.order_day(TODAY, "", [visit.pk])
    assert Visit.objects.get(pk=visit.pk).place_in_day is None
