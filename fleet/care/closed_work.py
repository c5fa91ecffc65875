"""What came of the work of a span of days, counted and listed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import Count, Func, IntegerField, Q, QuerySet

from fleet.care.kinds import task_kinds
from fleet.care.models import SentEntry, Task
from fleet.estate.scope import houses_in_sight

Rows = QuerySet[Task]


class DaysBetween(Func):
    """Whole days from one day to another."""

    arity = 2
    output_field = IntegerField()

    def as_sqlite(self, compiler: Any, connection: Any, **extra: Any) -> tuple[str, Any]:
        template = "CAST(julianday(%(second)s) - julianday(%(first)s) AS INTEGER)"
        return self._written(compiler, template)

    def as_postgresql(self, compiler: Any, connection: Any, **extra: Any) -> tuple[str, Any]:
        return self._written(compiler, "(%(second)s - %(first)s)")

    def _written(self, compiler: Any, template: str) -> tuple[str, Any]:
        (first, before), (second, after) = (compiler.compile(one) for one in self.source_expressions)
        return template % {"first": first, "second": second}, (*after, *before)


@dataclass(frozen=True)
class KindSums:
    name: str
    safety: bool
    done: int
    in_time: int
    left_out: int
    no_longer: int
    late_now: int

    @property
    def closed(self) -> int:
        return self.done + self.left_out + self.no_longer


def closed_between(first: date, last: date, property_ids: Sequence[int] | None) -> Rows:
    rows: Rows = Task.objects.filter(closed_on__range=(first, last), kind__in=list(task_kinds())).exclude(
        state="open"
    )
    if property_ids is not None:
        rows = rows.filter(building__property_id__in=property_ids)
    return rows.order_by("-closed_on", "-id")


def one_by_one(rows: Rows) -> Rows:
    """The same with heater and place, for a leaf or a file of them."""
    return rows.select_related("heater", "building__property")


def sums(first: date, last: date, today: date, property_ids: Sequence[int] | None) -> dict[str, Any]:
    """By kind of work: done, done within the window, left out with a reason, no longer needed, late today."""
    none: dict[str, int] = {}
    done = Q(state="done")
    rows = closed_between(first, last, property_ids).order_by()
    counted: dict[str, Any] = {
        row["kind"]: row
        for row in rows.values("kind").annotate(
            done=Count("id", filter=done),
            in_time=Count("id", filter=done & Q(window_days__gte=DaysBetween("due_on", "closed_on"))),
            left_out=Count("id", filter=Q(state="skipped")),
            no_longer=Count("id", filter=Q(state="dropped")),
        )
    }
    late = _late_now(today, property_ids)
    kinds = [
        KindSums(
            kind.name,
            kind.safety,
            counted.get(code, none).get("done", 0),
            counted.get(code, none).get("in_time", 0),
            counted.get(code, none).get("left_out", 0),
            counted.get(code, none).get("no_longer", 0),
            late.get(code, 0),
        )
        for code, kind in task_kinds().items()
        if code in counted or code in late
    ]
    waiting = SentEntry.objects.filter(result="decide", settled_at=None)
    if property_ids is not None:
        waiting = waiting.filter(property_id__in=property_ids)
    return {
        "kinds": sorted(kinds, key=lambda row: (not row.safety, row.name)),
        "done": sum(row.done for row in kinds),
        "in_time": sum(row.in_time for row in kinds),
        "left_out": sum(row.left_out for row in kinds),
        "late": sum(row.late_now for row in kinds),
        "waiting": waiting.count(),
    }


def _late_now(today: date, property_ids: Sequence[int] | None) -> dict[str, int]:
    """Open tasks whose day has passed, counted by kind."""
    late = Task.objects.filter(houses_in_sight(), state="open", due_on__lt=today)
    if property_ids is not None:
        late = late.filter(building__property_id__in=property_ids)
    return dict(late.order_by().values_list("kind").annotate(count=Count("*")))
