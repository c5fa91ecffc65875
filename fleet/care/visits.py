"""Visits: the queue laid out as trips to buildings, and changed by hand."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date

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
