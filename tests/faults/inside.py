"""What the fault test asks within the program itself: rows to begin with, whether all is settled, how they ended."""

from __future__ import annotations

import json
import sys
from datetime import date, timedelta
from typing import Any

import django

django.setup()

from django.utils import timezone  # noqa: E402

from fleet.care.models import Task  # noqa: E402
from fleet.estate.happenings import announce  # noqa: E402
from fleet.estate.models import Happening, Membership, Organisation, Person  # noqa: E402
from fleet.estate.scope import scope_of_organisation, scoped, unscoped  # noqa: E402
from fleet.reminders import hooks  # noqa: E402
from fleet.reminders.models import Correspondent, Delivery, Preference  # noqa: E402
from tests.conftest import make_heater  # noqa: E402

PEOPLE, HOOKS = 50, 4
DIGESTS_OF = 0.3  # so much of all are digests, the rest alerts


def house_name(number: str) -> str:
    return f"Alder Homes {number} (invented)"


def seed(number: str, reminders: str, url: str) -> int:
    """Leaks that 50 people and 4 programs are to hear of, and digests that have come due; how many in all."""
    house = Organisation.objects.create(name=house_name(number), invented=True)
    digests = int(int(reminders) * DIGESTS_OF)
    leaks = -(-(int(reminders) - digests) // (PEOPLE + HOOKS))
    with scoped(scope_of_organisation(house)):
        heater = make_heater(house)
        place = heater.position.building.property
        values = {"rule": "interval", "reason": "set by hand", "overridden": True}  # rules leave it alone
        due = date.today() - timedelta(days=20)
        Task.objects.create(organisation=house, heater=heater, kind="flush", due_on=due, **values)
        for desk in range(HOOKS):
            hooks.add_hook(house, f"desk {desk}", url, [])
        new_people(house, "technician", PEOPLE)
        readers = new_people(house, "viewer", digests)
        Preference.objects.bulk_create(
            Preference(organisation=house, person=reader, rhythm="daily", hour=0, alerts_by_mail=False)
            for reader in readers
        )
        now = timezone.now()
        everybody = Person.objects.filter(memberships__organisation=house)
        # The workers of the round before still run and may have met these people first.
        Correspondent.objects.bulk_create(
            (
                Correspondent(
                    person=person,
                    look_again=False,
                    next_on=now.date() if person in set(readers) else None,
                    next_at=now if person in set(readers) else None,
                )
                for person in everybody
            ),
            update_conflicts=True,
            unique_fields=["person"],
            update_fields=["look_again", "next_on", "next_at"],
        )
        for leak in range(leaks):
            announce(
                "leak_reported",
                str(leak),
                f"Leak {leak}",
                organisation_id=house.pk,
                property_id=place.pk,
            )
    return leaks * (PEOPLE + HOOKS) + digests


def new_people(house: Organisation, role: str, count: int, name: str = "") -> list[Person]:
    """So many people of one role, called so (else by their role) with a number."""
    rows = [
        Person(email=f"{name or role}-{house.pk}-{number}@almanac.example", name=f"{name or role} {number}")
        for number in range(count)
    ]
    people = Person.objects.bulk_create(rows)
    Membership.objects.bulk_create(Membership(organisation=house, person=one, role=role) for one in people)
    return people


def settled() -> bool:
    with unscoped("looking whether everything came to an end"):
        open_rows = Delivery.objects.filter(state__in=["waiting", "taken", "sending"])
        untold = Happening.objects.filter(told_at=None)
        unwritten = Correspondent.objects.filter(next_at__lte=timezone.now())
        return not any(rows.exists() for rows in (open_rows, untold, unwritten)) and Delivery.objects.exists()


def rows(number: str) -> list[list[Any]]:
    """Each row's key as the receivers see it, and how it ended."""
    with unscoped("looking at how everything ended"):
        found = Delivery.objects.filter(organisation__name=house_name(number))
        found = found.exclude(state="not_told").order_by("id")
        return [
            [
                f"hook:{message_id.strip('<>').partition('@')[0]}" if channel == "hook" else message_id,
                state,
            ]
            for channel, message_id, state in found.values_list("channel", "message_id", "state")
        ]


if __name__ == "__main__":
    print(json.dumps(globals()[sys.argv[1]](*sys.argv[2:])))
