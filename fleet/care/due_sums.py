"""Counting what is due by building: as it is now, and for the kept sums that pages read."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cache

from django.db.models import Count, Min, Q, QuerySet

from fleet.care.kinds import task_kinds
from fleet.care.models import Task
from fleet.care.sum_rows import HORIZONS, DueMark, DueSum
from fleet.estate import kept_sums
from fleet.estate.kept_sums import KeptSums
from fleet.estate.marks import Watched
from fleet.estate.models import Organisation
from fleet.estate.rounds import each_minute


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


def _counted(organisation: Organisation, building_ids: list[int], today: date) -> Iterable[DueSum]:
    due = Task.objects.filter(state="open", building_id__in=building_ids)
    for building_id, one in count(due, today, HORIZONS).items():
        yield DueSum(
            organisation_id=organisation.pk,
            building_id=building_id,
            as_of=today,
            counted_by=counted_by(),
            earliest=one.earliest,
            late=one.late,
            late_safety=one.late_safety,
            **{f"tasks_{days}": number for days, number in zip(HORIZONS, one.tasks, strict=True)},
            **{f"minutes_{days}": number for days, number in zip(HORIZONS, one.minutes, strict=True)},
        )


KEPT = KeptSums(
    name="due sums",
    sums=DueSum,
    marks=DueMark,
    place="building",
    day="as_of",
    watched=(
        Watched(
            "care_task", "care_duesum", "care_duemark", "building_id", "building_id", "{key}",
            ("building_id", "kind", "due_on", "state"),
        ),
    ),
    at_once=1000,
    counted_by=counted_by,
    counted=_counted,
)  # fmt: skip


@each_minute(KEPT.name)
def recount() -> bool:
    return kept_sums.recount(KEPT)
