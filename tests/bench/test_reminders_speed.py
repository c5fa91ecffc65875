"""Reminders at size on PostgreSQL: what is due among 1,000,000 open tasks in under 1 s, 10,000 digests in under 60 s.

ALMANAC_DATABASE_URL=postgresql://… pytest tests/bench/test_reminders_speed.py -s
"""

from __future__ import annotations

import os
import time
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from fleet.care.kinds import task_kinds
from fleet.care.models import Task
from fleet.estate.models import Building, Membership, Organisation, Person, Position, Property
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.heaters.models import Heater
from fleet.reminders import clocks
from fleet.reminders.composing import Composer, NotToTell
from fleet.reminders.digest import due_lines
from fleet.reminders.models import Correspondent, Delivery, Preference
from tests.conftest import make_heater

TASKS = int(os.environ.get("BENCH_TASKS", "1000000"))
PEOPLE = int(os.environ.get("BENCH_PEOPLE", "10000"))
SWEEP_SECONDS, DIGEST_SECONDS = 1.0, 60.0
pytestmark = [
    pytest.mark.django_db,
    pytest.mark.skipif(connection.vendor != "postgresql", reason="set ALMANAC_DATABASE_URL"),
]


def copies(model: Any, template: Any, count: int, **expressions: str) -> int:
    """So many copies of a row, made in the database; `{first}` is the first new number, `g` counts from 0."""
    table = model._meta.db_table
    with unscoped("numbering rows of a benchmark"):
        first = (model.objects.order_by("-pk").values_list("pk", flat=True).first() or 0) + 1
    columns = [field.column for field in model._meta.concrete_fields]
    values = {"id": "{first} + g"} | expressions
    chosen = ", ".join(values.get(name, f't."{name}"').format(first=first) for name in columns)
    names = ", ".join(f'"{name}"' for name in columns)
    with connection.cursor() as cursor:
        cursor.execute(
            f"INSERT INTO {table} ({names}) SELECT {chosen} FROM {table} t, "
            f"generate_series(0, {count - 1}) g WHERE t.id = {template.pk}"
        )
        cursor.execute(f"SELECT setval(pg_get_serial_sequence('{table}', 'id'), {first + count})")
    return int(first)


def one_large_house() -> Organisation:
    """Invented: 10 open tasks a heater, 50 heaters a building, due over 400 days, some late."""
    house = Organisation.objects.create(name="Large (invented)")
    kinds = list(task_kinds())[:10]
    with scoped(scope_of_organisation(house)):
        heater = make_heater(house, "Large Court", "template")
        building = heater.position.building
        heaters = TASKS // 10
        task = Task.objects.create(
            organisation=house, heater=heater, kind="flush", due_on=date(2020, 1, 1), rule="r", reason="w"
        )
        first_building = copies(Building, building, heaters // 50 + 1, name="'B' || g")
        place = f"{first_building} + g / 50"
        first_place = copies(Position, heater.position, heaters, building_id=place, label="'P' || g")
        first_heater = copies(Heater, heater, heaters, position_id=f"{first_place} + g", tag="'X' || g")
        names = ", ".join(f"'{kind}'" for kind in kinds)
        copies(
            Task,
            task,
            TASKS,
            heater_id=f"{first_heater} + g / 10",
            kind=f"(ARRAY[{names}])[g % 10 + 1]",
            due_on=f"DATE '{date.today()}' - 10 + (g / 10 * 7 + g) % 400",
        )
    return house


def many_small_houses() -> None:
    """Invented: 100 people a house with 100 heaters and tasks in two properties; every third sees one of them."""
    for number in range(PEOPLE // 100):
        house = Organisation.objects.create(name=f"Small {number} (invented)")
        with scoped(scope_of_organisation(house)):
            for part in range(2):
                heater = make_heater(house, f"Court {part}", f"template {part}")
                task = Task.objects.create(
                    organisation=house, heater=heater, kind="flush", due_on=date.today(), rule="r", reason="w"
                )
                first_place = copies(Position, heater.position, 50, label="'P' || g")
                first = copies(Heater, heater, 50, position_id=f"{first_place} + g", tag=f"'X{part}-' || g")
                copies(Task, task, 50, heater_id=f"{first} + g", due_on=f"DATE '{date.today()}' - 10 + g")
            place = Property.objects.get(name="Court 0")
            people = Person.objects.bulk_create(
                Person(email=f"p{number}-{one}@almanac.example") for one in range(100)
            )
            members = Membership.objects.bulk_create(
                Membership(organisation=house, person=one, role="technician", all_properties=index % 3 > 0)
                for index, one in enumerate(people)
            )
            for member in members[::3]:
                member.properties.add(place)
            Preference.objects.bulk_create(
                Preference(organisation=house, person=one, rhythm="daily") for one in people[::2]
            )


def analyse() -> None:
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


def scans(plan: dict[str, Any]) -> list[tuple[str, str]]:
    found = [(plan.get("Relation Name", ""), plan["Node Type"])]
    for part in plan.get("Plans", []):
        found += scans(part)
    return found


def test_what_is_due_among_a_million_tasks() -> None:
    house = one_large_house()
    analyse()
    today = date.today()
    with scoped(scope_of_organisation(house)):
        took = []
        for _ in range(5):
            began = time.perf_counter()
            with CaptureQueriesContext(connection) as asked:
                lines = due_lines(today, 1)
            took.append(time.perf_counter() - began)
        due = Task.objects.filter(state="open", due_on__lte=today + timedelta(days=1)).count()
        tasks = Task.objects.count()
    with connection.cursor() as cursor:
        cursor.execute("EXPLAIN (FORMAT JSON) " + asked.captured_queries[0]["sql"])
        plan = cursor.fetchone()[0][0]["Plan"]
    on_tasks = [kind for table, kind in scans(plan) if table == "care_task"]
    print(f"\n{tasks:,} tasks, {due:,} due or late in {len(lines):,} buildings: {min(took):.2f} s at best,")
    print(f"{sorted(took)[2]:.2f} s in the middle of five; read by {', '.join(on_tasks)}")
    assert sum(line.late + line.due for line in lines) == due
    assert len(asked) == 1
    assert on_tasks
    assert "Seq Scan" not in on_tasks
    assert min(took) < SWEEP_SECONDS


def test_ten_thousand_digests(settings: Any) -> None:
    settings.MAIL_SET_UP = True
    many_small_houses()
    while clocks.enrol_new():
        pass
    while clocks.set_clocks():
        pass
    now = timezone.now()
    Correspondent.objects.update(next_at=now, next_on=now.date(), look_again=False)
    analyse()
    began = time.perf_counter()
    with CaptureQueriesContext(connection) as asked:
        clocks.write_due_digests()
    while clocks.write_due_digests():
        pass
    written, composed = time.perf_counter() - began, 0
    with unscoped("all digests of a benchmark"):
        rows = list(Delivery.objects.select_related("person", "happening").order_by("id"))
    began, cpu = time.perf_counter(), time.process_time()
    for start in range(0, len(rows), 20):
        composer = Composer(rows[start : start + 20])
        for row in rows[start : start + 20]:
            try:
                composer.compose(row)
                composed += 1
            except NotToTell:
                pass
    prepared, cpu = time.perf_counter() - began, time.process_time() - cpu
    print(
        f"\n{len(rows):,} digests written down in {written:.1f} s ({len(asked)} queries for the first 500),"
    )
    print(f"{composed:,} composed in {prepared:.1f} s, of which {cpu:.1f} s of this process")
    assert len(rows) == PEOPLE
    assert written + prepared < DIGEST_SECONDS
