"""What is printed for a crew without a signal: cautions before steps, and room to write for what is open."""

from __future__ import annotations

from typing import Any

import pytest

from fleet.care import crews, services
from fleet.care.models import Task, Visit
from fleet.estate.background import enqueue, work_off
from fleet.estate.scope import scope_of_organisation, scoped
from tests.conftest import Cast, make_heater

ROOM = "To write down on the spot"


@pytest.fixture
def site(cast: Cast, time_machine: Any) -> Cast:
    time_machine.move_to("2026-06-01T18:00:00+00:00", tick=False)
    with scoped(scope_of_organisation(cast.house)):
        make_heater(cast.house, tag="H-2")
        services.roll_forward(cast.house)
    return cast


def page_of(site: Cast, address: str) -> str:
    return site.client(site.technician).get(address).content.decode()


def open_task(site: Cast, kind: str) -> Task:
    with scoped(scope_of_organisation(site.house)):
        return Task.objects.get(kind=kind, state="open", heater=site.heater)


def test_a_task_has_room_for_each_finding_after_its_steps(site: Cast) -> None:
    task = open_task(site, "relief_valve_test")
    page = page_of(site, f"/work/tasks/{task.pk}/")
    places = [page.index(words) for words in ("Stop and leave it if", "What can hurt you", "Steps", ROOM)]
    assert places == sorted(places)
    room = page[page.index(ROOM) : page.index("</section>", page.index(ROOM))]
    for field in task.task_kind.findings:
        assert field.label in room
        assert all(f"</span>{choice}" in room for choice in field.choices)
    for words in ("Parts used", "Also seen", "Begun at", "ended at", "Name", "Day", "Signature"):
        assert words in room


def test_what_is_closed_or_stopped_has_none(site: Cast) -> None:
    closed, stopped = open_task(site, "relief_valve_test"), open_task(site, "vent_check")
    client = site.client(site.technician)
    client.post(f"/work/tasks/{closed.pk}/leave-out/", {"reason": "no way in"})
    client.post(f"/work/tasks/{stopped.pk}/unsafe/", {"what": "Smell of gas"})
    for task in (closed, stopped):
        page = page_of(site, f"/work/tasks/{task.pk}/")
        assert "Steps" in page
        assert ROOM not in page


def test_a_visit_tells_each_way_of_working_once_and_has_room_for_every_task(site: Cast) -> None:
    with scoped(scope_of_organisation(site.house)):
        crews.keep_crew(site.house, "All day", 1440, sorted(crews.LICENCES), [site.technician.pk])
        enqueue("lay_visits", {}, site.house.pk)
        work_off()
        visit = Visit.objects.get(tasks=open_task(site, "relief_valve_test"))
        tasks = list(visit.tasks.filter(state="open").select_related("heater__position"))
    page = page_of(site, f"/work/visits/{visit.pk}/")
    told, room = page[page.index('<details class="printed">') : page.index(ROOM)], page[page.index(ROOM) :]
    names = {task.task_kind.name for task in tasks}
    assert len(tasks) > len(names) > 1
    for name in names:
        assert told.count(f"<h3>{name}</h3>") == 1
    for task in tasks:
        assert f"<h3>{task.task_kind.name}: {task.heater.tag}, {task.heater.position.label}</h3>" in room
    for way in told.split('<section class="way">')[1:]:
        assert 0 < way.index("Stop and leave it if") < way.index("What can hurt you") < way.index("<ol>")
    cautions = [task.caution for task in tasks if task.caution]
    assert cautions
    for words in cautions:
        assert words in told
        assert words in room
