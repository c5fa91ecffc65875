"""The verbs and questions of the inbox."""

from __future__ import annotations

from django.db.models import QuerySet
from django.utils import timezone

from fleet.reminders.models import InboxNote


def notes_of(person_id: int) -> QuerySet[InboxNote]:
    rows: QuerySet[InboxNote] = InboxNote.objects.filter(person_id=person_id)
    return rows.select_related("happening__taken_on_by", "property").order_by("-created_at", "-id")


def unread(person_id: int) -> int:
    return int(InboxNote.objects.filter(person_id=person_id, read_at=None).count())


def mark_read(person_id: int) -> int:
    return int(InboxNote.objects.filter(person_id=person_id, read_at=None).update(read_at=timezone.now()))
