"""Visits: the queue laid out as trips to buildings, and changed by hand."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime

from django.db import transaction

from fleet.care.grouping import CREW_MINUTES, Due, trips
from fleet.care.models import Task, Visit
from fleet.care.selectors import due_tasks
from fleet.care.services import CareRefused
from fleet.estate.history import record_change
from fleet.estate.models import Building


@dataclass(frozen=True)
class Laid:
    visits: int
    tasks: int


@transaction.atomic
def plan_visits(
    building: Building, today: date, horizon_days: int = 60, crew_minutes: int = CREW_MINUTES
) -> Laid:
    """Lay one building's due tasks out as visits; again gives the same. Visits begun or set by hand stay."""
    Building.objects.select_for_update(of=("self",)).get(pk=building.pk)
    due = due_tasks(today, horizon_days).filter(heater__position__building=building, stopped=False)
    kept = Visit.objects.filter(building=building).exclude(started_at=None, by_hand=False)
    tasks = list(due.exclude(visit__in=kept))
    planned = trips(
        (
            Due(task.pk, task.heater_id, task.opens_on, task.closes_on, task.task_kind.minutes)
            for task in tasks
        ),
        today,
        crew_minutes,
    )
    home: dict[int, list[int]] = defaultdict(list)
    for trip in planned:
        visit, _ = Visit.objects.get_or_create(
            organisation_id=building.organisation_id,
            building=building,
            day=trip.day,
            crew="" if trip.part == 1 else str(trip.part),
        )
        home[visit.pk].extend(trip.task_ids)
    Task.objects.filter(visit__building=building, state="open").exclude(visit__in=kept).update(visit=None)
    for number, ids in home.items():
        Task.objects.filter(pk__in=ids).update(visit_id=number)
    empty = Visit.objects.filter(building=building, started_at=None, by_hand=False, tasks=None)
    empty.delete()
    return Laid(len(home), len(tasks))


@transaction.atomic
def move_visit(visit: Visit, day: date, reason: str) -> Visit:
    """Set a visit's day by hand, with its reason in history; planning leaves it there."""
    if not reason.strip():
        raise CareRefused("Say why the visit is moved.", {"reason": "A reason is needed."})
    row: Visit = Visit.objects.select_for_update(of=("self",)).get(pk=visit.pk)
    if row.ended_at is not None:
        raise CareRefused("This visit is over.")
    if Visit.objects.filter(building_id=row.building_id, day=day, crew=row.crew).exclude(pk=row.pk).exists():
        raise CareRefused(
            "This building has a visit of the same crew on that day already; choose another day."
        )
    before, row.day, row.by_hand = row.day, day, True
    row.save(update_fields=["day", "by_hand"])
    record_change(row, "visit moved", {"day": (before.isoformat(), day.isoformat())}, reason.strip())
    return row


@transaction.atomic
def visit_on(building: Building, day: date, horizon_days: int = 30) -> Visit:
    """Go to a building on a day: all that is due there soon becomes that day's visit, set by hand."""
    Building.objects.select_for_update(of=("self",)).get(pk=building.pk)
    visit: Visit
    visit, _ = Visit.objects.get_or_create(
        organisation_id=building.organisation_id, building=building, day=day, crew=""
    )
    if visit.ended_at is not None:
        raise CareRefused("The visit of this day is over; choose another day.")
    if not visit.by_hand:
        visit.by_hand = True
        visit.save(update_fields=["by_hand"])
        record_change(visit, "visit set by hand", {"day": (None, day.isoformat())})
    due = due_tasks(day, horizon_days).filter(heater__position__building=building, stopped=False)
    begun = Visit.objects.filter(building=building, started_at__isnull=False).exclude(pk=visit.pk)
    due.exclude(visit__in=begun).update(visit=visit)
    Visit.objects.filter(building=building, started_at=None, by_hand=False, tasks=None).delete()
    return visit


@transaction.atomic
def begin_visit(visit: Visit, at: datetime) -> bool:
    """Note when a visit began; the earliest moment stands. False where an earlier one stood already."""
    row: Visit = Visit.objects.select_for_update(of=("self",)).get(pk=visit.pk)
    if row.started_at is not None and row.started_at <= at:
        return False
    row.started_at = at
    row.save(update_fields=["started_at"])
    record_change(row, "visit begun", {"started_at": (None, at.isoformat())})
    return True


@transaction.atomic
def end_visit(visit: Visit, at: datetime) -> bool:
    """Note when a visit ended. One ended twice keeps its first end; one never begun began as it ended."""
    row: Visit = Visit.objects.select_for_update(of=("self",)).get(pk=visit.pk)
    if row.ended_at is not None:
        return False
    row.started_at = min(row.started_at or at, at)
    row.ended_at = at
    row.save(update_fields=["started_at", "ended_at"])
    record_change(row, "visit ended", {"ended_at": (None, at.isoformat())})
    return True
