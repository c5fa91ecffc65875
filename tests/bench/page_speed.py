"""Server time of every page that each role's links lead to, on the record in the data folder or the database that is set.

By hand, on a made estate:

    ALMANAC_DATA=FOLDER uv run manage.py migrate
    ALMANAC_DATA=FOLDER uv run manage.py make-estate --heaters 100000 --seed 1
    ALMANAC_DATA=FOLDER uv run --group test python -m tests.bench.page_speed [owner] [technician]

First `manage.py queue --days 30 >/dev/null` lays the work out, `manage.py plan` makes a forecast and `manage.py count-again`
counts what the sweeps would. Each page is asked three times in this process; the second and third count. Printed: the
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


def main(roles: list[str]) -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.settings")
    django.setup()
    from django.conf import settings
    from django.test import Client

    from fleet.estate.models import Membership
    from tests.face.walk import pages_by_links

    settings.ALLOWED_HOSTS = ["testserver"]
    for role in roles:
        seat = Membership.objects.filter(role=role).order_by("id").select_related("person")[0]
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
