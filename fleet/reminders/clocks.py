"""Each person's next digest, kept as an instant, so that a sweep finds who is due through an index."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.conf import settings
from django.db import transaction
from django.db.models import Exists, OuterRef
from django.utils import timezone

from fleet.estate.models import Membership, Person
from fleet.reminders.models import Correspondent
from fleet.reminders.moments import next_digest
from fleet.reminders.outbox import ToTell, write_down
from fleet.reminders.preferences import wishes_of_many

AT_ONCE = 500
DIGEST = "digest"


def enrol_new() -> bool:
    """Whoever became a member gets a clock. True while more remains."""
    has_clock = Correspondent.objects.filter(person_id=OuterRef("pk"))
    is_member = Membership.objects.filter(person_id=OuterRef("pk"))
    new = Person.objects.filter(~Exists(has_clock), Exists(is_member), is_active=True).order_by("pk")
    rows = [Correspondent(person_id=number) for number in new.values_list("pk", flat=True)[:AT_ONCE]]
    Correspondent.objects.bulk_create(rows, ignore_conflicts=True)
    return len(rows) == AT_ONCE


def set_clocks() -> bool:
    """Find the next digest of those whose wishes or properties changed. True while more remains."""
    rows = list(Correspondent.objects.filter(look_again=True).order_by("id")[:AT_ONCE])
    now = timezone.now()
    for row, (next_on, next_at) in zip(rows, _next_of(rows, now), strict=True):
        row.next_on, row.next_at, row.look_again = next_on, next_at, False
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
        held = Correspondent.objects.select_for_update().filter(pk__in=[row.pk for row in rows]).order_by("id")
        still = {row.pk for row in held if row.next_at is not None and row.next_at <= now}
        mine = [row for row in rows if row.pk in still]
        written = []
        for row in mine:
            found = wishes.get(row.person_id)
            if found and row.next_on and row.digests_stopped_at is None and settings.MAIL_SET_UP:
                written.append(
                    ToTell(found[0].home_id, DIGEST, row.next_on, now, person_id=row.person_id)
                )
            # A digest that came late takes the place of those up to today: never two within a day.
            row.last_on = max(row.next_on, now.date()) if row.next_on else now.date()
            following = next_digest(found[1], row.last_on, now) if found else None
            row.next_on, row.next_at = following or (None, None)
        write_down(written)
        Correspondent.objects.bulk_update(mine, ["next_on", "next_at", "last_on"], batch_size=AT_ONCE)
    return len(rows) == AT_ONCE


def _next_of(
    rows: Sequence[Correspondent], now: datetime
) -> list[tuple[object, object]]:
    wishes = wishes_of_many([row.person_id for row in rows])
    found: list[tuple[object, object]] = []
    for row in rows:
        known = wishes.get(row.person_id)
        stopped = row.digests_stopped_at is not None
        following = None if known is None or stopped else next_digest(known[1], row.last_on, now)
        found.append(following or (None, None))
    return found
