"""Counting what is due by building, and keeping it true: marked buildings, and those of an earlier day, are counted anew."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cache
from typing import Any

from django.db import connection, transaction
from django.db.models import Count, Min, Q, QuerySet

from fleet.care.kinds import task_kinds
from fleet.care.models import Task
from fleet.care.sum_rows import HORIZONS, DueMark, DueSum
from fleet.estate import marks
from fleet.estate.calendar import day_of
from fleet.estate.models import Building, Organisation
from fleet.estate.rounds import each_minute
from fleet.estate.scope import unscoped

BUILDINGS_AT_ONCE = 1000
MARKS_AT_ONCE = 20_000
WATCHED = (
    marks.Watched(
        "care_task", "care_duesum", "care_duemark", "building_id", "building_id", "{key}",
        ("building_id", "kind", "due_on", "state"),
    ),
)  # fmt: skip


def watch(using: str = "default", **_: Any) -> None:
    marks.install(WATCHED, using)


@dataclass
class Sums:
    """The open tasks of one building. `tasks` and `minutes`: one number for each horizon asked for."""

    tasks: list[int]
    minutes: list[int]
    late: int = 0
    late_safety: int = 0
    earliest: date = field(default=date.max)


def count(due: QuerySet[Task], today: date, horizons: Sequence[int]) -> dict[int, Sums]:
    """The sums of the buildings of some open tasks, counted in the database: buildings, since their index alone tells."""
    within = {
        f"within_{days}": Count("building", filter=Q(due_on__lte=today + timedelta(days=days)))
        for days in horizons
    }
    rows = (
        due.order_by()
        .values_list("building_id", "kind")
        .annotate(late=Count("building", filter=Q(due_on__lt=today)), earliest=Min("due_on"), **within)
    )
    kinds = task_kinds()
    found: dict[int, Sums] = {}
    for building_id, code, late, earliest, *tasks in rows:
        kind = kinds.get(code)
        minutes = kind.minutes if kind else 0
        one = found.setdefault(building_id, Sums([0] * len(horizons), [0] * len(horizons)))
        one.tasks = [had + more for had, more in zip(one.tasks, tasks, strict=True)]
        one.minutes = [had + more * minutes for had, more in zip(one.minutes, tasks, strict=True)]
        one.late += late
        one.late_safety += late if kind and kind.safety else 0
        one.earliest = min(one.earliest, earliest)
    return found


@cache
def counted_by() -> str:
    """What a kept sum was counted with: a release that changes minutes or safety marks leaves all to be counted anew."""
    said = repr([(code, kind.minutes, kind.safety) for code, kind in sorted(task_kinds().items())])
    return hashlib.sha256(said.encode()).hexdigest()[:12]


def outdated(today: date) -> Q:
    """Kept sums that do not hold on a day."""
    return ~Q(as_of=today) | ~Q(counted_by=counted_by())


@each_minute("due sums")
def recount() -> bool:
    """One step over all organisations: marked buildings first, then those of an earlier day. True while more remain."""
    with unscoped("sums are kept for every organisation"):
        return _marked() or any([_outdated(one) for one in Organisation.objects.order_by("id")])


@transaction.atomic
def forget() -> None:
    """Believe no kept sum: every building is counted anew."""
    _alone()
    marks.forget(WATCHED, connection)


@transaction.atomic
def _marked() -> bool:
    _alone()
    found = DueMark.objects.order_by("id").values_list("building_id", flat=True)[:MARKS_AT_ONCE]
    chosen = list(dict.fromkeys(found))[:BUILDINGS_AT_ONCE]
    # Marks go first: whatever set one that is taken away here is seen by the count that follows.
    DueMark.objects.filter(building_id__in=chosen).delete()
    _count_anew(chosen)
    return bool(chosen)


@transaction.atomic
def _outdated(organisation: Organisation) -> bool:
    _alone()
    rows = DueSum.objects.filter(outdated(day_of(organisation)), organisation=organisation)
    chosen = set(rows.values_list("building_id", flat=True)[:BUILDINGS_AT_ONCE])
    _count_anew(chosen)
    return bool(chosen)


def _alone() -> None:
    """One at a time: two who count the same building could each write what the other has already overtaken.

    Marks are taken away and tasks counted after this, so the count sees at least what the marks spoke of.
    """
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(hashtext('due sums'))")


def _count_anew(building_ids: Collection[int]) -> None:
    places = Building.objects.filter(pk__in=building_ids).values_list("pk", "organisation_id")
    houses: dict[int, list[int]] = {}
    for number, organisation_id in places:
        houses.setdefault(organisation_id, []).append(number)
    rows: list[DueSum] = []
    for organisation in Organisation.objects.filter(pk__in=houses):
        today, numbers = day_of(organisation), houses[organisation.pk]
        due = Task.objects.filter(state="open", building_id__in=numbers)
        rows += _rows(organisation.pk, today, count(due, today, HORIZONS))
    standing = {row.building_id for row in rows}
    DueSum.objects.filter(building_id__in=set(building_ids) - standing).delete()
    DueSum.objects.bulk_create(
        rows, update_conflicts=True, unique_fields=["building"], update_fields=_KEPT, batch_size=50
    )


_KEPT = [one.name for one in DueSum._meta.concrete_fields if one.name != "building"]


def _rows(organisation_id: int, today: date, found: dict[int, Sums]) -> Iterable[DueSum]:
    for building_id, one in found.items():
        yield DueSum(
            organisation_id=organisation_id,
            building_id=building_id,
            as_of=today,
            counted_by=counted_by(),
            earliest=one.earliest,
            late=one.late,
            late_safety=one.late_safety,
            **{f"tasks_{days}": number for days, number in zip(HORIZONS, one.tasks, strict=True)},
            **{f"minutes_{days}": number for days, number in zip(HORIZONS, one.minutes, strict=True)},
        )


def wrong(most: int = 200) -> list[int]:
    """Buildings whose kept sums are believed and are not what is counted now; of some, chosen at random."""
    with transaction.atomic(), unscoped("the operator compares kept sums with the tasks"):
        _alone()
        marked = DueMark.objects.values("building_id")
        kept = DueSum.objects.filter(counted_by=counted_by()).exclude(building_id__in=marked).order_by("?")
        rows = list(kept.select_related("organisation")[:most])
        by_day: dict[date, list[DueSum]] = {}
        for row in rows:
            by_day.setdefault(row.as_of, []).append(row)
        found = []
        for today, some in by_day.items():
            due = Task.objects.filter(state="open", building_id__in=[row.building_id for row in some])
            counted = count(due, today, HORIZONS)
            for row in some:
                now = list(_rows(row.organisation_id, today, {row.building_id: counted[row.building_id]})) if (
                    row.building_id in counted) else []  # fmt: skip
                if not now or any(getattr(now[0], name) != getattr(row, name) for name in _KEPT):
                    found.append(row.building_id)
        # What changed while this compared bears a mark by now.
        since = set(DueMark.objects.filter(building_id__in=found).values_list("building_id", flat=True))
        return [number for number in found if number not in since]
