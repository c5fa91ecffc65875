"""Server time of every page that each role's links lead to, on the record in the data folder or the database that is set.

By hand, on a made estate:

    ALMANAC_DATA=FOLDER uv run manage.py migrate
    ALMANAC_DATA=FOLDER uv run manage.py make-estate --heaters 100000 --seed 1
    ALMANAC_DATA=FOLDER uv run --group test python -m tests.bench.page_speed [SEAT ...]

First `manage.py queue --days 30 >/dev/null` lays the work out, `manage.py plan` makes a forecast and `manage.py count-again`
counts what the sweeps would. Seats: owner, planner, technician, viewer of the first house; company and fitter of an
invented plumbing company to which every property of that house is opened. Who is missing is made and stays in the
database. Each page is asked four times in this process, the first not counted. Printed, the dearest first: the middle
one's processor time (with the database's own process) and wall time, and how many queries it took.
"""

from __future__ import annotations

import os
import sys
import time
from typing import Any

import django

from tests.bench.main_pages import processor_seconds

MOST_MILLISECONDS = 200


def timed(client: Any, address: str) -> tuple[float, float, int]:
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    def ask() -> None:
        answer = client.get(address, follow=True)
        _ = b"".join(answer.streaming_content) if answer.streaming else answer.content

    ask()
    rounds = []
    for _ in range(3):
        with CaptureQueriesContext(connection) as queries:
            processor, wall = processor_seconds(), time.perf_counter()
            ask()
            rounds.append((processor_seconds() - processor, time.perf_counter() - wall))
    processor, wall = sorted(rounds)[1]
    return processor, wall, len(queries)


def seat_of(role: str) -> Any:
    """Who has this role in the first house, or in the company that all of it is opened to."""
    from fleet.estate.models import Membership, Organisation
    from fleet.estate.services import admit_person

    if role in ("company", "fitter"):
        organisation, role = with_all_opened(), {"company": "owner", "fitter": "technician"}[role]
    else:
        organisation = Organisation.objects.filter(kind="owner").order_by("id")[0]
    seats = Membership.objects.filter(organisation=organisation, role=role).select_related("person")
    if not seats.exists():
        admit_person(organisation, f"{role}-of-{organisation.pk}@almanac.example", role)
    return seats.order_by("id")[0]


def with_all_opened() -> Any:
    """A plumbing company to which the first house has opened every property."""
    from fleet.estate import grants
    from fleet.estate.models import Organisation, Property
    from fleet.estate.scope import Level, scope_of_organisation, scoped
    from fleet.estate.services import admit_person

    house = Organisation.objects.filter(kind="owner").order_by("id")[0]
    name = "All opened Plumbing (invented)"
    company, made = Organisation.objects.get_or_create(
        name=name, kind="company", invented=True, calendar_stands_at=house.calendar_stands_at
    )
    if made:
        admit_person(company, "all-opened@almanac.example", "owner")
        with scoped(scope_of_organisation(company)):
            code = grants.code_of(company)
        with scoped(scope_of_organisation(house)):
            numbers = list(Property.objects.values_list("pk", flat=True))
            grants.grant_access(house, code, numbers, Level.OUTLOOK)
    return company


def main(roles: list[str]) -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.settings")
    django.setup()
    from django.conf import settings
    from django.test import Client

    from tests.face.walk import pages_by_links

    settings.ALLOWED_HOSTS = ["testserver"]
    for role in roles:
        client = Client()
        client.force_login(seat_of(role).person, backend="django.contrib.auth.backends.ModelBackend")

        def get(address: str, client: Client = client) -> tuple[int, str]:
            answer = client.get(address, follow=True)
            return answer.status_code, answer.content.decode()

        dead: list[str] = []
        found = pages_by_links(get, "/", dead)
        rows = sorted(((*timed(client, address), address) for address in found.values()), reverse=True)
        print(f"{role}: {len(rows)} pages")
        for processor, wall, queries, address in rows:
            late = "" if processor * 1000 <= MOST_MILLISECONDS else "  LATE"
            print(f"{processor * 1000:8.0f} ms {wall * 1000:8.0f} ms {queries:4} queries  {address}{late}")


if __name__ == "__main__":
    main(sys.argv[1:] or ["owner"])
