"""Visits: the queue laid out as trips to buildings, and changed by hand."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from django.db import transaction

from fleet.care.laying import Laid, lay_out_building, ledger_of
from fleet.care.models import Crew, Visit
from fleet.care.selectors import due_tasks
from fleet.care.services import CareRefused
from fleet.estate.history import record_change
from fleet.estate.models import Building


def plan_visits(building: Building, today: date, horizon_days: int = 60) -> Laid:
    """Lay one building's due tasks out as visits beside all that is laid out already; again gives the same."""
    ledger = ledger_of(building.organisation_id, today, building)
    return lay_out_building(building, today, ledger, horizon_days)


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
def give_visit(visit: Visit, crew: Crew | None, reason: str) -> Visit:
    """Give a visit to a crew by hand; planning leaves it there."""
    if not reason.strip():
        raise CareRefused("Say why the crew is changed.", {"reason": "A reason is needed."})
    row: Visit = Visit.objects.select_for_update(of=("self",)).get(pk=visit.pk)
    if row.ended_at is not None:
        raise CareRefused("This visit is over.")
    name = crew.name if crew else ""
    same = Visit.objects.filter(building_id=row.building_id, day=row.day, crew=name)
    if same.exclude(pk=row.pk).exists():
        raise CareRefused("This crew has a visit to this building on that day already.")
    before = row.crew
    row.team, row.crew, row.by_hand = crew, name, True
    row.save(update_fields=["team", "crew", "by_hand"])
    record_change(row, "visit given to a crew", {"crew": (before, name)}, reason.strip())
    return row


@transaction.atomic
def order_day(day: date, crew: str, visit_ids: Sequence[int]) -> None:
    """Set the order of one crew's buildings on a day by hand."""
    rows = {row.pk: row for row in Visit.objects.select_for_update(of=("self",)).filter(day=day, crew=crew)}
    for place, number in enumerate((one for one in visit_ids if one in rows), start=1):
        if rows[number].place_in_day != place:
            rows[number].place_in_day = place
            rows[number].save(update_fields=["place_in_day"])


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
    due = due_tasks(day, horizon_days).filter(building=building, stopped=False)
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
