"""How long the main pages and API lists take on a large record: median, 95th percentile, processor time, one line each.

The processor time is this process's and its database server process's together, where both run on one machine: what an
answer costs whatever else the machine is doing.

    python -m tests.bench.main_pages [--rounds 20] [--largest 300]

Uses the database of the environment, which must hold a made estate (`manage.py make-estate`); asks in process as the
first organisation's owner, with other heaters, buildings and words each time. Ends with 1 where a line is over the limit.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from statistics import quantiles

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.settings")


def processor_seconds() -> float:
    """Of this process and of the database's process that serves it."""
    from django.db import connection

    own = time.process_time()
    if connection.vendor != "postgresql":
        return own
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_backend_pid()")
        [number] = cursor.fetchone()
    try:
        fields = Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return own
    return own + (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def addresses() -> dict[str, Callable[[int], str]]:
    """By name, the address asked in a round."""
    from fleet.estate.models import Building, Property
    from fleet.heaters.models import Heater

    rows = Heater.objects.order_by("pk").values_list("pk", "tag", "serial_number")
    last = Heater.objects.order_by("-pk").values_list("pk", flat=True)[0]
    some = [row for at in range(40) if (row := rows.filter(pk__gte=1 + last * at // 40).first())]
    buildings = [
        row for at in range(40) if (row := Building.objects.filter(pk__gte=at * 97).order_by("pk").first())
    ]
    properties = [
        row for at in range(40) if (row := Property.objects.filter(pk__gte=at * 31).order_by("pk").first())
    ]

    def of(template: str, values: list[object]) -> Callable[[int], str]:
        return lambda turn: template.format(values[turn % len(values)])

    heaters, tags = [row[0] for row in some], [row[1] or row[2] for row in some]
    return {
        "portfolio": lambda turn: "/",
        "heaters": lambda turn: f"/heaters/?page={turn + 1}",
        "heater": of("/heaters/{}/", heaters),
        "properties": lambda turn: "/properties/",
        "property": of("/properties/{}/", [row.pk for row in properties]),
        "building": of("/buildings/{}/", [row.pk for row in buildings]),
        "find a tag": of("/find/?stay=1&words={}", tags),
        "find a word": of("/find/?stay=1&words={}", [row.name.split()[0] for row in properties]),
        "work": lambda turn: "/work/",
        "work of a building": of("/work/buildings/{}/", [row.pk for row in buildings]),
        "visits": lambda turn: "/work/visits/",
        "plan": lambda turn: "/plan/",
        "plan, ranked heaters": lambda turn: "/plan/heaters/",
        "changes": lambda turn: "/changes/",
        "API heaters": of("/api/v1/heaters?limit=100&property_id={}", [row.pk for row in properties]),
        "API heaters, all": lambda turn: "/api/v1/heaters?limit=100",
        "API tasks": lambda turn: "/api/v1/tasks?limit=100&state=open",
        "API services": lambda turn: "/api/v1/service-records?limit=100",
        "API changes": lambda turn: "/api/v1/changes?limit=100",
    }


def main() -> None:
    import django

    django.setup()
    from django.test import Client

    from fleet.estate.models import Membership, Organisation
    from fleet.estate.scope import scope_of_organisation, scoped

    read = argparse.ArgumentParser()
    read.add_argument("--rounds", type=int, default=20)
    read.add_argument("--largest", type=float, default=300.0)
    read.add_argument("--only", default="")
    asked = read.parse_args()
    house = Organisation.objects.order_by("pk").first()
    client = Client(HTTP_HOST="localhost")
    client.force_login(Membership.objects.filter(organisation=house, role="owner")[0].person)
    with scoped(scope_of_organisation(house, actor="benchmark")):
        places = addresses()
    slow = 0
    for name, address in places.items():
        if asked.only not in name:
            continue
        times, work, status = [], [], set()
        for turn in range(asked.rounds + 1):
            started, worked = time.perf_counter(), processor_seconds()
            answer = client.get(address(turn))
            _ = b"".join(answer.streaming_content) if answer.streaming else answer.content
            if turn:  # the first fills the caches
                times.append((time.perf_counter() - started) * 1000)
                work.append((processor_seconds() - worked) * 1000)
            status.add(answer.status_code)
        cuts = quantiles(times, n=20)
        slow += cuts[18] > asked.largest
        print(
            f"{name:<24} median {cuts[9]:8.1f} ms, p95 {cuts[18]:8.1f}, processor {sorted(work)[len(work) // 2]:7.1f}, "
            f"least {min(times):8.1f}, answers {sorted(status)}, load {os.getloadavg()[0]:.1f}",
            flush=True,
        )
    sys.exit(1 if slow else 0)


if __name__ == "__main__":
    main()
