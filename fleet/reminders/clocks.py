"""Each person's next digest, kept as an instant, so that a sweep finds who is due through an index."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from django.conf import settings
from django.db import transaction
from django.db.models import Exists, OuterRef
from django.utils import timezone

from fleet.estate.models import Membership, Person
from fleet.reminders.entitled import Sight
from fleet.reminders.models import Correspondent
from fleet.reminders.moments import Wish, next_digest
from fleet.reminders.outbox import ToTell, write_down
from fleet.reminders.preferences import wishes_of_many

AT_ONCE = 500
DIGEST = "digest"
APART = timedelta(hours=12)  # one that came late is not followed by the next within the same half day
Known = tuple[Sight, set[Wish]]


def enrol_new() -> bool:
    """Whoever became a member gets a clock. True while more remains."""
    has_clock = Correspondent.objects.filter(person_id=OuterRef("pk"))
    is_member = Membership.objects.filter(person_id=OuterRef("pk"))
    new = Person.objects.filter(~Exists(has_clock), Exists(is_member), is_active=True).order_by("pk")
    rows = [Correspondent(person_id=number) for number in new.values_list("pk", flat=True)[:AT_ONCE]]
    Correspondent.objects.bulk_create(rows, ignore_conflicts=True)
    return len(rows) == AT_ONCE


def set_clocks() -> bool:
    """Find the next digest of those whose wishes or properties changed. True while more remains.

    A digest that has come due already is written first: a clock is never moved past it.
    """
    now = timezone.now()
    look = Correspondent.objects.filter(look_again=True).exclude(next_at__isnull=False, next_at__lte=now)
    with transaction.atomic():
        rows = list(look.select_for_update().order_by("id")[:AT_ONCE])
        wishes = wishes_of_many([row.person_id for row in rows])
        for row in rows:
            row.next_on, row.next_at = _following(row, wishes.get(row.person_id), now)
            row.look_again = False
        Correspondent.objects.bulk_update(rows, ["next_on", "next_at", "look_again"], batch_size=AT_ONCE)
    return len(rows) == AT_ONCE


def look_again_at_members(organisation_id: int) -> None:
    """Once a day: memberships, zones and grants change without telling this room."""
    members = Membership.objects.filter(organisation_id=organisation_id).values("person_id")
    Correspondent.objects.filter(person_id__in=members).update(look_again=True)


def write_due_digests() -> bool:
    """Write the digests that have come due into the outbox and move the clocks on. True while more remains.

    The row and the moved clock are one transaction, and each clock moves only from where it was read, so that two
    sweeps write one row. Nothing is composed here: what a digest says is found when it is sent.
    """
    now = timezone.now()
    due = Correspondent.objects.filter(next_at__isnull=False, next_at__lte=now)
    rows = list(due.order_by("next_at", "id")[:AT_ONCE])
    if not rows:
        return False
    wishes = wishes_of_many([row.person_id for row in rows])
    with transaction.atomic():
        held = (
            Correspondent.objects.select_for_update().filter(pk__in=[row.pk for row in rows]).order_by("id")
        )
        still = {row.pk for row in held if row.next_at is not None and row.next_at <= now}
        mine = [row for row in rows if row.pk in still]
        write_down([told for row in mine if (told := _strike(row, wishes.get(row.person_id), now))])
        fields = ["next_on", "next_at", "last_on", "last_at"]
        Correspondent.objects.bulk_update(mine, fields, batch_size=AT_ONCE)
    return len(rows) == AT_ONCE


def _strike(row: Correspondent, known: Known | None, now: datetime) -> ToTell | None:
    """Move one clock on; the row to be written, if this person is mailed."""
    if known is None or row.next_on is None or row.next_at is None:
        row.next_on = row.next_at = None
        return None
    sight, wishes = known
    day, moment = row.next_on, row.next_at
    # After standing still: the latest day that has come due speaks for those before it.
    while (later := next_digest(wishes, day, moment)) and later[1] <= now:
        day, moment = later
    row.last_on, row.last_at = day, now
    row.next_on, row.next_at = _following(row, known, now)
    if row.digests_stopped_at is not None or not settings.MAIL_SET_UP:
        return None
    return ToTell(sight.home_id, DIGEST, day, now, person_id=row.person_id)


def _following(row: Correspondent, known: Known | None, now: datetime) -> tuple[date | None, datetime | None]:
    if known is None or row.digests_stopped_at is not None:
        return None, None
    not_before = now if row.last_at is None else max(now, row.last_at + APART)
    return next_digest(known[1], row.last_on, not_before) or (None, None)
