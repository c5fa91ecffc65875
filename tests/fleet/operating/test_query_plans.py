"""The queries that run all day go through an index on PostgreSQL, however large the tables grow.

The tables of a test are tiny, so reading them whole is forbidden to the planner: what it can still only do by reading
a table whole has no index that serves it. Each test begins with empty tables of its own, for the planner also reckons
with the dead rows and the counts that tests before it left behind.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.db.models import QuerySet
from django.utils import timezone

from fleet.care.due_list import PRESSING
from fleet.care.models import DueMark, DueSum, Finding, Task
from fleet.estate import background
from fleet.estate.bulk_rows import new_ids, write_rows
from fleet.estate.models import Building, HistoryEntry, Job, Organisation, Position
from fleet.heaters.models import Heater, ServiceRecord
from fleet.heaters.register import NOT_PLAIN
from fleet.pages import trigrams
from fleet.pages.first_found import BY_TAG
from fleet.pages.meeting import heaters_meeting, meeting, places_meeting
from fleet.planning import outlook_rows
from fleet.planning.models import ForecastRun, HeaterOutlook
from fleet.reminders.models import Delivery
from tests.conftest import Cast, make_heater

pytestmark = [
    pytest.mark.services,
    pytest.mark.skipif(
        connection.vendor != "postgresql", reason="needs PostgreSQL: set ALMANAC_DATABASE_URL"
    ),
]


def among_much_work(cast: Cast) -> QuerySet[ServiceRecord]:
    """Of an empty table's indexes each is as good as the other: here are some heaters with their years of work."""
    heaters = [cast.heater, *(make_heater(cast.house, tag=f"Q-{number}") for number in range(20))]
    days = [date(2016, 1, 1) + timedelta(days=30 * number) for number in range(100)]
    ServiceRecord.objects.bulk_create(
        ServiceRecord(organisation=cast.house, heater=one, kind="flush", done_earliest=day, done_latest=day)
        for one in heaters
        for day in days
    )
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE heaters_servicerecord")
    return ServiceRecord.objects.all()


def many_heaters(building: Building, letter: str, count: int) -> None:
    house, places = building.organisation_id, new_ids(Position, count)
    labelled = [(number, house, building.pk, f"Place {number}") for number in places]
    write_rows(Position, ("id", "organisation_id", "building_id", "label"), labelled)
    tagged = [(house, number, f"{letter}-{number}", "heat_pump") for number in places]
    write_rows(Heater, ("organisation_id", "position_id", "tag", "kind"), tagged)


def among_many_outlooks(cast: Cast) -> QuerySet[HeaterOutlook]:
    """Three runs of many heaters, one of them asked for."""
    many_heaters(cast.building, "Q", 1_000)
    heaters = Heater.objects.order_by("-id").values_list("id", flat=True)
    runs = [ForecastRun.objects.create(organisation=cast.house, as_of=date(2026, 6, 1)) for _ in range(3)]
    columns = (*outlook_rows.COLUMNS[:5], *outlook_rows.MEASURES, "planned_cost", "emergency_cost")
    write_rows(
        HeaterOutlook,
        columns,
        [
            (cast.house.pk, run.pk, rank, heater, True, 9.0, 0.1, 0.3, 2.0, 6.0, 11.0, 1800, 2600)
            for run in runs
            for rank, heater in enumerate(heaters, start=1)
        ],
    )
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE planning_heateroutlook")
    return HeaterOutlook.objects.filter(run=runs[1])


def among_much_closed_work(cast: Cast) -> QuerySet[Task]:
    """Ten years of closed work, a task of each heater a month, and one that is open."""
    many_heaters(cast.building, "Q", 100)
    heaters = list(Heater.objects.filter(organisation=cast.house).values_list("id", flat=True))
    months = [date(2016 + number // 12, 1 + number % 12, 10) for number in range(126)]
    columns = ("organisation_id", "heater_id", "building_id", "kind", "cycle", "due_on", "state", "closed_on")
    write_rows(
        Task,
        columns,
        [
            (cast.house.pk, heater, cast.building.pk, "flush", cycle, day, "done", day)
            for heater in heaters
            for cycle, day in enumerate(months, start=1)
        ],
    )
    opened = [
        (cast.house.pk, heater, cast.building.pk, "flush", 127, months[-1], "open", None)
        for heater in heaters
    ]
    write_rows(Task, columns, opened)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE care_task")
    return Task.objects.filter(organisation=cast.house)


def among_many_findings(cast: Cast) -> QuerySet[Finding]:
    task = Task.objects.create(
        organisation=cast.house, heater=cast.heater, kind="flush", due_on=date(2026, 1, 1), rule="x"
    )
    moments = [timezone.now() - timedelta(hours=number) for number in range(20_000)]
    columns = ("organisation_id", "heater_id", "task_id", "name", "words", "unit", "unsafe", "seen_at")
    write_rows(
        Finding,
        columns,
        [(cast.house.pk, cast.heater.pk, task.pk, "colour", "clear", "", False, at) for at in moments],
    )
    with connection.cursor() as cursor:
        cursor.execute("SELECT gin_clean_pending_list('finding_by_part_of_word')")
        cursor.execute("ANALYZE care_finding")
    return Finding.objects.all()


def among_many(cast: Cast, rows: Callable[[], QuerySet[Any]]) -> QuerySet[Any]:
    """The same for heaters and their places."""
    many_heaters(cast.building, "Q", 20_000)
    with connection.cursor() as cursor:
        for index in trigrams.INDEXES:
            cursor.execute("SELECT gin_clean_pending_list(%s)", [index.name])
            cursor.execute(f"ANALYZE {index.table}")
    return rows()


def two_houses(cast: Cast) -> QuerySet[Heater]:
    """The heaters of another house came first: a list of ours must not go through them, nor a look-up through ours."""
    many_heaters(cast.foreign_heater.position.building, "B", 3_000)
    for number in range(60):
        make_heater(cast.house, tag=f"H-{number + 2}", serial_number=f"S-{number + 2}")
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE heaters_heater")
    return Heater.objects.filter(organisation=cast.house)


HOT: dict[str, tuple[Callable[[Cast], QuerySet[Any]], str]] = {
    "the next due job": (
        lambda cast: Job.objects.filter(background.due_rows(timezone.now())).order_by("run_after", "id")[:20],
        "estate_job",
    ),
    "heaters by a part of a word": (
        lambda cast: among_many(cast, lambda: Heater.objects.filter(heaters_meeting(["rt-of"]))),
        "heater_by_part_of_word",
    ),
    "places by a part of a word": (
        lambda cast: among_many(cast, lambda: Position.objects.filter(places_meeting(["rt-of"]))),
        "position_by_part_of_word",
    ),
    "findings by a part of a word": (
        lambda cast: among_many_findings(cast).filter(meeting(["usty"], "words", "name")),
        "finding_by_part_of_word",
    ),
    "a list of one house's heaters": (
        lambda cast: two_houses(cast).order_by("id")[:5],
        "heater_by_house",
    ),
    "the first of one house's heaters by tag": (
        lambda cast: two_houses(cast).filter(ending="").order_by(*BY_TAG)[:5],
        "heater_by_tag",
    ),
    "a heater by its tag": (lambda cast: two_houses(cast).filter(tag__iexact="h-1"), "heater_by_tag"),
    "heaters whose tag is no plain word": (
        lambda cast: two_houses(cast).filter(tag__regex=NOT_PLAIN),
        "heater_by_tag_not_plain",
    ),
    "a heater by its serial number": (
        lambda cast: two_houses(cast).filter(serial_number__iexact="s-1"),
        "heater_by_serial",
    ),
    "the list of heaters likeliest to fail": (
        lambda cast: among_many_outlooks(cast)[:50],
        "outlook_by_rank",
    ),
    "how many are ranked": (
        lambda cast: among_many_outlooks(cast).order_by("-rank")[:1],
        "outlook_by_rank",
    ),
    "the plan in use": (
        lambda cast: ForecastRun.objects.filter(organisation=cast.house, state="done").order_by("-id")[:1],
        "planning_fo",
    ),
    "what was done to a heater": (
        lambda cast: among_much_work(cast).filter(heater=cast.heater, kind="flush").order_by("-done_latest"),
        "same_work_once_a_day",
    ),
    "a heater's history": (
        lambda cast: HistoryEntry.objects.filter(
            organisation=cast.house, subject_kind="heater", subject_id=cast.heater.pk
        ),
        "estate_hist",
    ),
    "what is due by a day": (
        lambda cast: Task.objects.filter(organisation=cast.house, state="open", due_on__lte=date(2026, 6, 1)),
        "task",
    ),
    "the buildings that press most": (
        lambda cast: DueSum.objects.filter(as_of=date(2026, 6, 1)).order_by(*PRESSING)[:10],
        "due",
    ),
    "the tasks of a building": (
        lambda cast: Task.objects.filter(state="open", building_id=cast.building.pk),
        "task",
    ),
    "whether a building's sums are marked": (
        lambda cast: DueMark.objects.filter(building_id=cast.building.pk),
        "care_duemark_",  # an empty table's indexes cost the same
    ),
    "what was closed in a month": (
        lambda cast: among_much_closed_work(cast).filter(
            closed_on__range=(date(2026, 5, 1), date(2026, 5, 31))
        ),
        "task_closed_by_day",
    ),
    "deliveries that are due": (
        lambda cast: Delivery.objects.filter(
            channel="mail", state__in=["waiting", "taken"], due_at__lte=timezone.now()
        ).order_by("-urgent", "due_at")[:20],
        "delivery_due",
    ),
}


# Whose plans are looked at here.
LOOKED_AT = (
    Position,
    Heater,
    ServiceRecord,
    HistoryEntry,
    Job,
    ForecastRun,
    HeaterOutlook,
    Task,
    DueSum,
    DueMark,
    Delivery,
    Finding,
)


@pytest.fixture(autouse=True)
def tables_of_its_own(db: None) -> None:
    """As they were made, without what earlier tests left in their files; taken back with the test."""
    tables = ", ".join(f'"{model._meta.db_table}"' for model in LOOKED_AT)
    with connection.cursor() as cursor:
        cursor.execute(f"TRUNCATE {tables} CASCADE")


def nodes(plan: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield plan
    for below in plan.get("Plans", ()):
        yield from nodes(below)


@pytest.mark.parametrize("name", HOT)
def test_it_goes_through_an_index(name: str, in_house: Cast) -> None:
    query, wanted = HOT[name]
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL enable_seqscan = off")
    plan = json.loads(query(in_house).explain(format="json"))[0]["Plan"]
    kinds = [node["Node Type"] for node in nodes(plan)]
    assert "Seq Scan" not in kinds, plan
    used = [node["Index Name"] for node in nodes(plan) if "Index Name" in node]
    assert any(wanted in index for index in used), used


def test_a_query_without_an_index_is_seen(in_house: Cast) -> None:
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL enable_seqscan = off")
    plan = json.loads(Organisation.objects.order_by().filter(kind="owner").explain(format="json"))[0]["Plan"]
    assert "Seq Scan" in [node["Node Type"] for node in nodes(plan)]
