"""The verbs and questions of the inbox."""

from __future__ import annotations

from django.db.models import Case, QuerySet, When
from django.utils import timezone

from fleet.reminders.models import InboxNote


def notes_of(person_id: int) -> QuerySet[InboxNote]:
    """The latest first, but before all others the alerts on which nobody acts yet."""
    rows: QuerySet[InboxNote] = InboxNote.objects.filter(person_id=person_id)
    nobody_acts = Case(When(happening__urgent=True, happening__taken_on_at=None, then=0), default=1)
    return rows.select_related("happening__taken_on_by", "property").order_by(
        nobody_acts, "-created_at", "-id"
    )


def unread(person_id: int) -> int:
    return int(InboxNote.objects.filter(person_id=person_id, read_at=None).count())


def mark_read(person_id: int) -> int:
    return int(InboxNote.objects.filter(person_id=person_id, read_at=None).update(read_at=timezone.now()))
