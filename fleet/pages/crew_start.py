"""Where a crew member begins: what is dangerous now, where to go today, what waits for an answer."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from django.db.models import Count, Q

from fleet.care import selectors as care
from fleet.care.models import LeakReport, Visit
from fleet.estate.calendar import day_of
from fleet.estate.models import Organisation
from fleet.pages import forecasts
from fleet.reminders import inbox

LOOK_AHEAD = timedelta(days=14)
FEW_BUILDINGS = 8


def today(organisation: Organisation, person_id: int) -> dict[str, Any]:
    day = day_of(organisation)
    counted = Count("tasks", filter=Q(tasks__state="open"))
    visits = list(care.visits_between(day, day + LOOK_AHEAD).annotate(task_count=counted))
    due = forecasts.due_summary(day)
    return {
        "today": day,
        "visits": [visit for visit in visits if visit.day == day],
        "next_visits": _next(visits, day),
        "unsafe": care.open_unsafe().count(),
        "leaks": LeakReport.objects.filter(answered_at=None).count(),
        "waiting": care.waiting_entries().count(),
        "unread": inbox.unread(person_id),
        "due": due,
        "buildings": due.buildings[:FEW_BUILDINGS],
    }


def _next(visits: Sequence[Visit], day: date) -> list[Visit]:
    """The visits of the next day that has any."""
    later = [visit for visit in visits if visit.day > day]
    return [visit for visit in later if visit.day == later[0].day]
