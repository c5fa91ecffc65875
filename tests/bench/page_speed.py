"""Server time of every page that each role's links lead to, on the record in the data folder or the database that is set.

By hand, on a made estate:

    ALMANAC_DATA=FOLDER uv run manage.py migrate
    ALMANAC_DATA=FOLDER uv run manage.py make-estate --heaters 100000 --seed 1
    ALMANAC_DATA=FOLDER uv run --group test python -m tests.bench.page_speed [owner] [technician] [company]

First `manage.py queue --days 30 >/dev/null` lays the work out, `manage.py plan` makes a forecast and `manage.py count-again`
counts what the sweeps would. For `company` every property of the first house is opened to an invented plumbing company,
which stays in the database. Each page is asked three times in this process; the second and third count. Printed: the
slower one's wall and processor time (with the database's own process), and how many queries it took; the slowest first.
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

    client.get(address, follow=True)
    rounds = []
    for _ in range(2):
        with CaptureQueriesContext(connection) as queries:
            wall, processor = time.perf_counter(), processor_seconds()
            client.get(address, follow=True)
            rounds.append((time.perf_counter() - wall, processor_seconds() - processor))
    wall, processor = max(rounds)
    return wall, processor, len(queries)


def with_all_opened() -> Any:
    """The seat of a plumbing company to which the first house has opened every property."""
    from fleet.estate import grants
    from fleet.estate.models import Membership, Organisation, Property
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
    return Membership.objects.select_related("person").get(organisation=company)


def main(roles: list[str]) -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.settings")
    django.setup()
    from django.conf import settings
    from django.test import Client

    from fleet.estate.models import Membership
    from tests.face.walk import pages_by_links

    settings.ALLOWED_HOSTS = ["testserver"]
    for role in roles:
        seats = Membership.objects.filter(role=role).order_by("id").select_related("person")
        seat = with_all_opened() if role == "company" else seats[0]
        client = Client()
        client.force_login(seat.person, backend="django.contrib.auth.backends.ModelBackend")

        def get(address: str, client: Client = client) -> tuple[int, str]:
            answer = client.get(address, follow=True)
            return answer.status_code, answer.content.decode()

        dead: list[str] = []
        found = pages_by_links(get, "/", dead)
        rows = sorted(((*timed(client, address), address) for address in found.values()), reverse=True)
        print(f"{role}: {len(rows)} pages")
        for wall, processor, queries, address in rows:
            late = "" if wall * 1000 <= MOST_MILLISECONDS else "  LATE"
            print(f"{wall * 1000:8.0f} ms {processor * 1000:8.0f} ms {queries:4} queries  {address}{late}")


if __name__ == "__main__":
    main(sys.argv[1:] or ["owner"])
