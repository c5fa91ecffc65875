"""A test of one's own reminders, through the ordinary outbox."""

from __future__ import annotations

from datetime import date

from django.utils import timezone

from fleet.estate.models import Organisation, Person
from fleet.estate.scope import unscoped
from fleet.reminders.models import Delivery
from fleet.reminders.outbox import ToTell, write_down


def send_test_mail(person: Person, organisation: Organisation, today: date) -> bool:
    """False when one was asked for within the same five minutes."""
    now = timezone.now()
    what = f"test:{int(now.timestamp()) // 300}"
    with unscoped("a person's own test mails"):
        if Delivery.objects.filter(person=person, what=what, due_on=today).exists():
            return False
    write_down([ToTell(organisation.pk, what, today, now, urgent=True, person_id=person.pk)])
    return True
