"""Roll-forward of a large fleet, all task kinds: prints seconds; the goal is 100,000 heaters in 60 s on PostgreSQL.

BENCH_HEATERS sets the size (default 20,000). Run: pytest tests/bench/test_care_roll_forward.py -s
"""

from __future__ import annotations

import os
import resource
import time
from datetime import date, timedelta

import pytest
from django.db import connection
from django.test import Client

from fleet.care import selectors, services, visits
from fleet.care.models import Task
from fleet.estate.calendar import today_of
from fleet.estate.models import Building, Position, Property
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters.models import Heater, Kind, ServiceRecord
from tests.conftest import Cast

SIZE = int(os.environ.get("BENCH_HEATERS", "20000"))
DAY = date(2026, 6, 1)
SECONDS_PER_100_000 = 60


def make_fleet(cast: Cast) -> None:
    """Invented: 500 heaters a property, 50 a building, ages 0 to 15 years, half of them flushed last year."""
    house = cast.house
    kinds = list(Kind.values)
    properties = Property.objects.bulk_create(
        Property(organisation=house, name=f"P{n}", time_zone="America/Denver") for n in range(-(-SIZE // 500))
    )
    buildings = Building.objects.bulk_create(
        Building(organisation=house, property=properties[n // 10], name=f"{n}") for n in range(-(-SIZE // 50))
    )
    positions = Position.objects.bulk_create(
        (
            Position(organisation=house, building=buildings[n // 50], label=f"{n}", closed_system=n % 2 == 0)
            for n in range(SIZE)
        ),
        batch_size=2000,
    )
    installed = [DAY - timedelta(days=n * 7 % 5500) for n in range(SIZE)]
    heaters = Heater.objects.bulk_create(
        (
            Heater(
                organisation=house, position=positions[n], tag=f"X{n}", kind=kinds[n % len(kinds)],
                installed_earliest=installed[n], installed_latest=installed[n], installed_precision="day",
            )
            for n in range(SIZE)
        ),
        batch_size=2000,
    )  # fmt: skip
    flushed = DAY - timedelta(days=300)
    ServiceRecord.objects.bulk_create(
        (
            ServiceRecord(
                organisation=house, heater=heaters[n], kind="flush", done_earliest=flushed, done_latest=flushed,
                done_precision="day",
            )
            for n in range(0, SIZE, 2)
        ),
        batch_size=2000,
    )  # fmt: skip


@pytest.mark.django_db
def test_roll_forward_of_a_large_fleet(cast: Cast) -> None:
    cast.house.calendar_stands_at = DAY
    cast.house.save()
    with scoped(scope_of_organisation(cast.house)):
        make_fleet(cast)
        seconds = []
        for day in (DAY, DAY, DAY + timedelta(days=1)):
            start, processor = time.perf_counter(), time.process_time()
            result = services.roll_forward(cast.house, day)
            seconds.append(time.perf_counter() - start)
            print(
                f"\n{connection.vendor}: {SIZE} heaters, {seconds[-1]:.1f} s "
                f"({time.process_time() - processor:.1f} s of this process), {result}",
                end="",
            )
        start = time.perf_counter()
        counts = selectors.due_counts(DAY, 60)
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")
        start = time.perf_counter()
        counts = selectors.due_counts(DAY, 60)
        print(
            f"\nsums by building: {time.perf_counter() - start:.2f} s over {Task.objects.count()} tasks",
            end="",
        )
        building = counts[0].building_id
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")  # what the database does by itself once the rows have stood for a minute
    with scoped(scope_of_organisation(cast.house)):
        start = time.perf_counter()
        visit = visits.visit_on(Building.objects.get(pk=building), today_of(cast.house))
        visits.move_visit(visit, today_of(cast.house), "bench")
        print(f"\none building laid out: {1000 * (time.perf_counter() - start):.0f} ms", end="")
    client: Client = cast.client(cast.technician)
    for name, address in (
        ("the phone's day", "/work/phone/day/"),
        ("visits", "/work/visits/"),
        ("the queue", "/work/"),
    ):
        client.get(address)
        start = time.perf_counter()
        page = client.get(address)
        print(
            f"\n{name}: {1000 * (time.perf_counter() - start):.0f} ms, {len(page.content) // 1024} KB", end=""
        )
    client.get(f"/work/buildings/{building}/")
    start = time.perf_counter()
    page = client.get(f"/work/buildings/{building}/")
    print(
        f"\na building's page: {1000 * (time.perf_counter() - start):.0f} ms, {len(page.content) // 1024} KB",
        end="",
    )
    print(f"\npeak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024} MB")
    assert max(seconds) <= SECONDS_PER_100_000 * max(SIZE, 2000) / 100_000
