"""Safety tasks whose window has closed undone: announced once each, in one sentence per property and day."""

from __future__ import annotations

from datetime import date, timedelta

from django.db import transaction
from django.db.models import Q
from django.urls import reverse

from fleet.care.kinds import task_kinds
from fleet.care.models import Task
from fleet.care.roll import local_today
from fleet.estate.bulk_rows import in_parts
from fleet.estate.happenings import announce
from fleet.estate.models import Organisation, Property


def announce_missed(organisation: Organisation, today: date | None = None) -> int:
    """Tell of safety tasks newly past their window; safe to call as often as one likes."""
    rows = Property.objects.filter(organisation=organisation).select_related("organisation").order_by("id")
    return sum(_one_property(row, today or local_today(row)) for row in rows)


def _past_window(today: date) -> Q:
    """Safety work whose last day is over. A kind's window is the same for all its tasks."""
    found = Q(pk__in=[])
    for kind in task_kinds().values():
        if kind.safety:
            found |= Q(kind=kind.code, due_on__lt=today - timedelta(days=kind.window_days))
    return found


@transaction.atomic
def _one_property(row: Property, today: date) -> int:
    tasks = Task.objects.select_for_update(of=("self",)).filter(
        _past_window(today), state="open", missed_on=None, building__property=row
    )
    missed = list(tasks.order_by("due_on", "id").values_list("pk", "kind", "due_on"))
    if not missed:
        return 0
    for ids in in_parts([number for number, _, _ in missed], 500):
        Task.objects.filter(pk__in=ids).update(missed_on=today)
    count = len(missed)
    words = "One safety task" if count == 1 else f"{count} safety tasks"
    oldest = f"{task_kinds()[missed[0][1]].name}, due {missed[0][2]}"
    announce(
        "safety_task_missed",
        f"{row.pk}:{today.isoformat()}:{missed[0][0]}",
        f"{words} at {row.name} passed the last day of the window undone. The longest late: {oldest}.",
        organisation_id=row.organisation_id,
        property_id=row.pk,
        address=f"{reverse('care:queue')}?property={row.pk}",
    )
    return count
