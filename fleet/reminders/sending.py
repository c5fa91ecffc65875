"""From a taken row of the outbox to the other side: composed now, checked against today's scope, handed over once."""

from __future__ import annotations

import logging
import time
import zoneinfo
from collections.abc import Callable
from datetime import date, timedelta
from email.message import EmailMessage
from typing import Any

from django.conf import settings
from django.db import DatabaseError, transaction
from django.db.models import Max, Q
from django.urls import reverse

from fleet.estate.models import Happening
from fleet.estate.scope import unscoped
from fleet.reminders import hooks, outbox
from fleet.reminders.clocks import DIGEST
from fleet.reminders.digest import SHOWN_BUILDINGS, Digest, digest_of
from fleet.reminders.entitled import Sight, may_person_hear, sight_of
from fleet.reminders.mail import CannotWrite, Words, write
from fleet.reminders.models import Correspondent, Delivery, InboxNote
from fleet.reminders.post import NotBegun, NotLeft, PerhapsLeft, Postman
from fleet.reminders.preferences import ALERTS, DIGESTS, own_preferences

logger = logging.getLogger(__name__)
AT_ONCE = 20
NOTHING = "Nothing was due or late."
LONGEST_BACK = timedelta(days=31)


class NotToTell(Exception):
    """This must not, or need not, be told any more; the words say why."""


def mail_some(urgent: bool) -> bool:
    """Take some due mails and hand them over. True while more may be due."""
    outbox.find_uncertain()
    rows = outbox.take(Delivery.Channel.MAIL, urgent, AT_ONCE)
    ends = time.monotonic() + outbox.TAKEN_FOR.total_seconds() / 2
    with Postman() as postman:
        for place, row in enumerate(rows):
            if time.monotonic() > ends or not _guarded(row, lambda taken: _mail(taken, postman)):
                for left in rows[place:]:  # back in line untried; a settled row is not touched
                    outbox.let_go(left)
                return False
    return len(rows) == AT_ONCE


def call_some() -> bool:
    """Take some due web-hook calls and make them; a receiver that fails holds up only its own."""
    rows = outbox.take(Delivery.Channel.HOOK, True, AT_ONCE)
    ends = time.monotonic() + outbox.TAKEN_FOR.total_seconds() / 2
    failing: set[int | None] = set()
    for row in rows:
        if row.hook_id in failing:
            outbox.postpone(row)
        elif time.monotonic() > ends:
            outbox.let_go(row)
        elif not _guarded(row, _call):
            failing.add(row.hook_id)
    return len(rows) == AT_ONCE


def _call(row: Delivery) -> bool:
    if row.hook is None or row.hook.switched_off_at is not None:
        raise NotToTell("The web hook is switched off.")
    return hooks.call(row, row.hook)


def _guarded(row: Delivery, hand_over: Callable[[Delivery], bool]) -> bool:
    """Hand one row over and settle it. False when the other side cannot be reached for others either."""
    try:
        return hand_over(row)
    except NotToTell as why:
        outbox.settle_not_told(row, str(why))
    except CannotWrite as why:
        outbox.settle_refused_for_good(row, str(why))
    except DatabaseError:
        raise  # the row stays as it is: taken goes back in line, leaving becomes uncertain, each after its time
    except Exception as error:
        logger.exception("Delivery %s failed", row.pk)
        _settle_unforeseen(row, error)
    return True


def _settle_unforeseen(row: Delivery, error: Exception) -> None:
    """An error of the program: safe to try again only where nothing had begun to leave."""
    with unscoped("one's own delivery"):
        begun = Delivery.objects.filter(pk=row.pk, state=Delivery.State.SENDING).exists()
    words = f"{type(error).__name__}: {error}"
    if begun:
        outbox.settle_uncertain(row, words)
    else:
        outbox.settle_failed(row, words)


def _mail(row: Delivery, postman: Postman) -> bool:
    sight = sight_of(row.person_id or 0)
    if sight is None:
        raise NotToTell("This person may see nothing here any more.")
    if not settings.MAIL_SET_UP:
        raise NotToTell("No mail server is set up.")
    message, held = _composed(row, sight)

    def begin() -> bool:
        """The last look before it leaves, in the transaction that says that it leaves."""
        with transaction.atomic():
            if not _same_sight(row, sight):
                return False
            if held:
                with unscoped("notes of this person's digest"):
                    InboxNote.objects.filter(pk__in=held).update(mailed_on=row.due_on)
            return outbox.begin(row)

    try:
        words = postman.deliver(message, sight.person.email, begin)
    except NotLeft as error:
        if error.final:
            outbox.settle_refused_for_good(row, str(error))
        else:
            outbox.settle_failed(row, str(error))
        return not error.server
    except PerhapsLeft as error:
        outbox.settle_uncertain(row, str(error))
    except NotBegun:
        outbox.let_go(row)  # what she may see changed meanwhile: written anew at the next turn
    else:
        outbox.settle_sent(row, words)
    return True


def _same_sight(row: Delivery, before: Sight) -> bool:
    now = sight_of(before.person.pk)
    if now is None or now.scope.reaches != before.scope.reaches or now.person.email != before.person.email:
        return False
    happening = row.happening
    return happening is None or may_person_hear(before.person.pk, happening)


def _composed(row: Delivery, sight: Sight) -> tuple[EmailMessage, list[int]]:
    """The mail, and the notes that it holds. Raises NotToTell when there is nothing, or not any more, to tell."""
    stops = Correspondent.objects.filter(person_id=sight.person.pk).first()
    if row.what == DIGEST:
        if stops is not None and stops.digests_stopped_at is not None:
            raise NotToTell("She stopped her digests.")
        digest = digest_of(sight, own_preferences([sight.person.pk]), _days(row))
        if digest.is_empty:
            raise NotToTell(NOTHING)
        words = Words(_digest_subject(digest), "digest", _shown(digest), stops=DIGESTS)
        return write(row, sight.person, words), [note.pk for note in digest.notes]
    if row.happening is None:
        return write(row, sight.person, Words("A test of your reminders", "test", {})), []
    if stops is not None and stops.alerts_stopped_at is not None:
        raise NotToTell("She stopped her alerts.")
    if not may_person_hear(sight.person.pk, row.happening):
        raise NotToTell("She may not see this any more.")
    return write(row, sight.person, _alert(row.happening, row.what.startswith("escalation"))), []


def _days(row: Delivery) -> list[date]:
    """The days that a digest speaks for: its own, and those since the last one that came."""
    with unscoped("a person's other digests"):
        others = Delivery.objects.filter(person_id=row.person_id, what=DIGEST, channel=row.channel)
        if others.filter(due_on__gt=row.due_on).exclude(state=Delivery.State.NOT_TOLD).exists():
            raise NotToTell("A newer digest took its place.")
        came = Q(state__in=["sent", "sending", "uncertain"]) | Q(state="not_told", words=NOTHING)
        last = others.filter(came, due_on__lt=row.due_on).aggregate(last=Max("due_on"))["last"]
    first = row.due_on if last is None else max(last + timedelta(days=1), row.due_on - LONGEST_BACK)
    return [first + timedelta(days=ahead) for ahead in range((row.due_on - first).days + 1)]


def _digest_subject(digest: Digest) -> str:
    counts = [f"{digest.late} late"] if digest.late else []
    counts += [f"{digest.due} due"] if digest.due else []
    counts += [f"{digest.unsafe} unsafe"] if digest.unsafe else []
    return f"Water heaters, {digest.day:%-d %B %Y}: {', '.join(counts) or 'notes'}"


def _shown(digest: Digest) -> dict[str, Any]:
    return {
        "digest": digest,
        "shown": digest.buildings[:SHOWN_BUILDINGS],
        "more": max(len(digest.buildings) - SHOWN_BUILDINGS, 0),
        "queue_address": settings.ADDRESS + reverse("care:queue"),
    }


def _alert(happening: Happening, escalated: bool) -> Words:
    place = happening.property
    zone = zoneinfo.ZoneInfo(place.time_zone if place else "UTC")
    values = {
        "happening": happening,
        "property": place,
        "organisation": happening.organisation,
        "when": f"{happening.happened_at.astimezone(zone):%-d %B %Y, %H:%M %Z}",
        "inbox_address": settings.ADDRESS + reverse("reminders:inbox"),
        "escalated": escalated,
        "address": settings.ADDRESS + happening.address if happening.address else "",
    }
    opening = "Nobody has acted yet: " if escalated else ""
    return Words(f"{opening}{happening.sentence}", "alert", values, stops=ALERTS)
