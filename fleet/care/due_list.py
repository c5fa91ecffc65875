"""What is due, building by building, in any order and from any place on: from kept sums, so quick at any size.

Kept sums are believed of buildings that bear no mark and were counted as of the day asked for; the others are counted
now and take their places among them. Where that is most of them (before the first count, or while the whole fleet is
laid out anew) everything is counted now.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db.models import Count, F, Min, Sum

from fleet.care import due_sums
from fleet.care.models import DueSum
from fleet.care.selectors import BuildingCount, counted, due_counts, due_tasks
from fleet.care.sum_rows import HORIZONS
from fleet.estate.kept_sums import not_believed
from fleet.estate.models import Building

MOST_AFRESH = 1000  # buildings; beyond it naming them costs more than counting all
FEW_PROPERTIES = 20
PRESSING = ("-late_safety", "earliest", "building_id")
OVERDUE = ("-late", "-tasks", "building_id")
_KEYS: dict[tuple[str, ...], Callable[[BuildingCount], Any]] = {
    PRESSING: BuildingCount.pressing,
    OVERDUE: BuildingCount.overdue,
}


@dataclass(frozen=True)
class PropertyCount:
    property_id: int
    tasks: int
    late: int
    minutes: int
    earliest: date

    def with_(self, other: PropertyCount) -> PropertyCount:
        return PropertyCount(
            self.property_id,
            self.tasks + other.tasks,
            self.late + other.late,
            self.minutes + other.minutes,
            min(self.earliest, other.earliest),
        )


class DueList:
    """Buildings with due tasks: how many, their sums, and the leaf from one place to another, as a paginator asks."""

    def __init__(self, kept: Any, afresh: list[BuildingCount], days: int, order: tuple[str, ...]) -> None:
        self._afresh = sorted(afresh, key=_KEYS[order])
        self._kept = (
            None if kept is None else kept.annotate(tasks=F(f"tasks_{days}"), minutes=F(f"minutes_{days}"))
        )
        self._order = order
        sums = [
            len(afresh),
            *(sum(getattr(row, name) for row in afresh) for name in ("tasks", "late", "minutes")),
        ]
        if self._kept is not None:
            known = self._kept.aggregate(
                rows=Count("pk"), due=Sum("tasks"), past=Sum("late"), needs=Sum("minutes")
            )
            sums = [
                one + (known[name] or 0)
                for one, name in zip(sums, ("rows", "due", "past", "needs"), strict=True)
            ]
        self.buildings, self.tasks, self.late, self.minutes = sums

    def __len__(self) -> int:
        return self.buildings

    def __getitem__(self, wanted: slice) -> list[BuildingCount]:
        first, last = wanted.start or 0, self.buildings if wanted.stop is None else wanted.stop
        if self._kept is None:
            return self._afresh[first:last]
        # However the two fall together, the leaf's rows lie among these; rows before them shift both by as much.
        start = max(0, first - len(self._afresh))
        both = sorted([*self._rows(start, last), *self._afresh], key=_KEYS[self._order])
        return both[first - start : last - start]

    def _rows(self, first: int, last: int) -> list[BuildingCount]:
        """A leaf's places are named apart from putting them in order, which then needs no join."""
        assert self._kept is not None
        rows = list(
            self._kept.order_by(*self._order).values_list(
                "building_id", "tasks", "late", "minutes", "earliest", "late_safety"
            )[first:last]
        )
        places = Building.objects.order_by()
        if len(rows) <= MOST_AFRESH:
            places = places.filter(pk__in=[row[0] for row in rows])
        names = {row[0]: row for row in places.values_list("id", "name", "property_id", "property__name")}
        return [BuildingCount(*names[row[0]], *row[1:]) for row in rows if row[0] in names]

    def by_property(self) -> dict[int, PropertyCount]:
        found: dict[int, PropertyCount] = {}
        rows = [
            PropertyCount(row.property_id, row.tasks, row.late, row.minutes, row.earliest)
            for row in self._afresh
        ]
        if self._kept is not None:
            kept = self._kept.order_by().values_list("building__property_id").annotate(
                due=Sum("tasks"), past=Sum("late"), needs=Sum("minutes"), first=Min("earliest")
            )  # fmt: skip
            rows += [PropertyCount(*row) for row in kept]
        for row in rows:
            found[row.property_id] = found[row.property_id].with_(row) if row.property_id in found else row
        return found


def due_list(
    today: date,
    days: int = 60,
    property_ids: Sequence[int] | None = None,
    order: tuple[str, ...] = PRESSING,
) -> DueList:
    """Buildings with tasks due within some days of a day, late ones included, within the scope of who asks."""
    few = property_ids is not None and len(property_ids) <= FEW_PROPERTIES
    # Marks first: what was counted after they were read is at least as new as they are.
    uncertain = None
    if not few and days in HORIZONS:
        uncertain = not_believed(due_sums.KEPT, due_sums.KEPT.outdated(today), MOST_AFRESH)
    if uncertain is None:
        return DueList(None, due_counts(today, days, property_ids), days, order)
    kept = DueSum.objects.filter(
        as_of=today, counted_by=due_sums.counted_by(), earliest__lte=today + timedelta(days=days)
    ).exclude(building_id__in=uncertain)
    due, places = (
        due_tasks(today, days).filter(building_id__in=uncertain),
        Building.objects.filter(pk__in=uncertain),
    )
    if property_ids is not None:
        kept = kept.filter(building__property_id__in=property_ids)
        due, places = (
            due.filter(building__property_id__in=property_ids),
            places.filter(property_id__in=property_ids),
        )
    return DueList(kept, counted(due, places, today, days) if uncertain else [], days, order)
