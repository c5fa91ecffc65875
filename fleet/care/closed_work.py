"""What came of the work of a span of days, counted and listed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import Count, Q, QuerySet

from fleet.care.kinds import task_kinds
from fleet.care.models import SentEntry, Task

Rows = QuerySet[Task]


@dataclass(frozen=True)
class KindSums:
    name: str
    safety: bool
    done: int
    in_time: int
    left_out: int
    no_longer: int
    late_now: int


def closed_between(first: date, last: date, property_ids: Sequence[int] | None) -> Rows:
    rows: Rows = Task.objects.filter(closed_on__range=(first, last), kind__in=list(task_kinds())).exclude(
        state="open"
    )
    if property_ids is not None:
        rows = rows.filter(building__property_id__in=property_ids)
    return rows.select_related("heater", "building__property").order_by("-closed_on", "-id")


def sums(first: date, last: date, today: date, property_ids: Sequence[int] | None) -> dict[str, object]:
    """By kind of work: done, done within the window, left out with a reason, no longer needed, late today."""
    rows = closed_between(first, last, property_ids).select_related(None).order_by()
    done = Q(state="done")
    none: dict[str, int] = {}
    counted: dict[str, Any] = {
        row["kind"]: row
        for row in rows.values("kind").annotate(
            done=Count("id", filter=done),
            left_out=Count("id", filter=Q(state="skipped")),
            no_longer=Count("id", filter=Q(state="dropped")),
        )
    }
    in_time = _in_time(rows)
    open_late = Task.objects.filter(state="open", due_on__lt=today)
    if property_ids is not None:
        open_late = open_late.filter(building__property_id__in=property_ids)
    late = dict(open_late.order_by().values_list("kind").annotate(count=Count("*")))
    kinds = [
        KindSums(
            kind.name,
            kind.safety,
            counted.get(code, none).get("done", 0),
            in_time.get(code, 0),
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


def _in_time(rows: Rows) -> dict[str, int]:
    """Done by the last day of the window, counted by kind."""
    found: dict[str, int] = {}
    for kind, due_on, window, closed_on in rows.filter(state="done").values_list(
        "kind", "due_on", "window_days", "closed_on"
    ):
        if closed_on is not None and (closed_on - due_on).days <= window:
            found[kind] = found.get(kind, 0) + 1
    return found
