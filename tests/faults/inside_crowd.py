"""What the crowd's tests ask within the program: people with sessions and a day's work, and what was kept in the end."""

from __future__ import annotations

import json
import sys
import time
from collections import Counter
from datetime import date, timedelta
from typing import Any

import django

django.setup()

from django import db  # noqa: E402
from django.conf import settings  # noqa: E402
from django.core.management import call_command  # noqa: E402
from django.test import Client  # noqa: E402
from django.utils import timezone  # noqa: E402

from fleet.care import crews, services, visits  # noqa: E402
from fleet.care.models import Finding, SentEntry, Task  # noqa: E402
from fleet.care.sum_rows import DueMark  # noqa: E402
from fleet.estate import background  # noqa: E402
from fleet.estate.calendar import today_of  # noqa: E402
from fleet.estate.models import (  # noqa: E402
    Building,
    Happening,
    Membership,
    Organisation,
    Person,
    Property,
)
from fleet.estate.scope import scope_of_organisation, scoped, unscoped  # noqa: E402
from fleet.heaters.models import Heater, ServiceRecord  # noqa: E402
from fleet.heaters.record_sum_rows import RecordMark  # noqa: E402
from fleet.reminders.models import Delivery  # noqa: E402
from tests.conftest import make_heater  # noqa: E402
from tests.faults.inside import new_people  # noqa: E402

NAME = "Invented estate with a crowd"
SMALL = "Linden Homes (invented)"


def prepared(heaters: str, office: str, phones: str, tasks_each: str) -> dict[str, Any]:
    """An estate of so many heaters with its care laid out; sessions of all people; addresses the office asks for."""
    if not Organisation.objects.filter(name=NAME).exists():
        call_command("make_estate", heaters=int(heaters), name=NAME, stdout=sys.stderr)
        house = Organisation.objects.get(name=NAME)
        with scoped(scope_of_organisation(house)):
            services.roll_forward(house)
            make_crews(house, int(phones), int(tasks_each))
    house = Organisation.objects.get(name=NAME)
    with scoped(scope_of_organisation(house)):
        owner = Membership.objects.select_related("person").get(role="owner").person
        readers = [owner, *new_people(house, "planner", int(office) - 1, "office")]
        crew = list(Person.objects.filter(memberships__organisation=house, email__startswith="phone-"))
        addresses = addresses_of()
    return {
        "office": [session_of(person) for person in readers],
        "phones": [session_of(person) for person in crew],
        "addresses": addresses,
    }


def make_crews(house: Organisation, phones: int, tasks_each: int) -> None:
    """Each phone has a crew of its own and today's visits with at least so many tasks."""
    today = today_of(house, Property.objects.first())
    buildings = iter(Building.objects.order_by("id"))
    licences = list(crews.LICENCES)
    for person in new_people(house, "technician", phones, "phone"):
        crew = crews.keep_crew(house, person.name, 480, licences, [person.pk])
        while Task.objects.filter(visit__team=crew).count() < tasks_each:
            visit = visits.visit_on(next(buildings), today, horizon_days=120)
            visits.give_visit(visit, crew, "made for the crowd")


def session_of(person: Person) -> dict[str, str]:
    client = Client()
    client.force_login(person)
    return {settings.SESSION_COOKIE_NAME: client.cookies[settings.SESSION_COOKIE_NAME].value}


def addresses_of() -> dict[str, list[str]]:
    heaters = list(Heater.objects.filter(ending="").order_by("pk").values_list("pk", "tag")[::211][:200])
    buildings = list(Building.objects.order_by("pk").values_list("pk", flat=True)[::23][:200])
    properties = list(Property.objects.order_by("pk").values_list("pk", flat=True)[::7][:200])
    return {
        "portfolio": ["/"],
        "heaters": [f"/heaters/?page={page}" for page in range(1, 40)],
        "a heater": [f"/heaters/{pk}/" for pk, _ in heaters],
        "a property": [f"/properties/{pk}/" for pk in properties],
        "a building": [f"/buildings/{pk}/" for pk in buildings],
        "find a tag": [f"/find/?words={tag}" for _, tag in heaters if tag],
        "work": ["/work/"],
        "work of a building": [f"/work/buildings/{pk}/" for pk in buildings],
        "visits": ["/work/visits/"],
        "plan": ["/plan/"],
    }


def kept(*keys: str) -> dict[str, Any]:
    """How often each key stands, and what doubles there are of what a finding writes."""
    with unscoped("counting what the crowd's phones sent"):
        rows = list(SentEntry.objects.values_list("key", "result", "task_id"))
        tasks = [task for _, result, task in rows if result in ("kept", "noted") and task]
        findings = Counter(Finding.objects.filter(task__in=tasks).values_list("task_id", "name"))
        states = Counter(Task.objects.filter(pk__in=tasks).values_list("state", flat=True))
        heaters = Task.objects.filter(pk__in=tasks).values_list("heater_id", flat=True).distinct()
        newest = ServiceRecord.objects.filter(
            heater__in=heaters, done_latest__gte=date.today() - timedelta(days=1)
        )
        written = Counter(newest.values_list("heater_id", "kind"))
    return {
        "keys": [str(key) for key, _, _ in rows],
        "results": Counter(result for _, result, _ in rows),
        "tasks": len(tasks),
        "tasks named twice": len(tasks) - len(set(tasks)),
        "task states": states,
        "findings": sum(findings.values()),
        "findings twice": sum(1 for count in findings.values() if count > 1),
        "services twice": sum(1 for count in written.values() if count > 1),
    }


def at_rest() -> bool:
    """Whether the day's own work is done, told to everybody, and every kept sum counted."""
    with unscoped("whether the day's own work is done"):
        left: list[Any] = [
            background.Job.objects.filter(state__in=["waiting", "running"]),
            Happening.objects.filter(told_at=None),
            Delivery.objects.filter(state__in=["waiting", "taken"], due_at__lte=timezone.now()),
            DueMark.objects.all(),
            RecordMark.objects.all(),
        ]
        return background.Job.objects.exists() and not any(one.exists() for one in left)


def small_house() -> int:
    house, made = Organisation.objects.get_or_create(name=SMALL, defaults={"invented": True})
    with scoped(scope_of_organisation(house)):
        if made:
            make_heater(house)
    return int(house.pk)


def pulse(seconds: str) -> None:
    """Ask for a small piece of work each half second, until the time is over; a lost database is asked again."""
    until = time.monotonic() + float(seconds)
    house = 0
    while time.monotonic() < until:
        try:
            house = house or small_house()
            with scoped(scope_of_organisation(Organisation(pk=house))):
                background.enqueue("roll_forward", {}, house)
        except db.Error:
            db.connection.close()
        time.sleep(0.5)


def jobs() -> list[list[Any]]:
    """Of each small piece of work: when it was asked for, when it ended, its state, how often it was tried."""
    with unscoped("how the small pieces of work ended"):
        rows = background.Job.objects.filter(organisation__name=SMALL, kind="roll_forward").order_by("id")
        return [
            [made.timestamp(), ended.timestamp() if ended else None, state, attempts]
            for made, ended, state, attempts in rows.values_list(
                "created_at", "finished_at", "state", "attempts"
            )
        ]


if __name__ == "__main__":
    print(json.dumps(globals()[sys.argv[1]](*sys.argv[2:])))
