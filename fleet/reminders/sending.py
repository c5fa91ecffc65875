"""From a taken row of the outbox to the other side: checked against today's scope, handed over once."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable

from django.conf import settings
from django.db import DatabaseError, transaction

from fleet.estate.scope import unscoped
from fleet.reminders import hooks, outbox
from fleet.reminders.composing import Composed, Composer, NotToTell
from fleet.reminders.entitled import may_hear, sight_of
from fleet.reminders.mail import CannotWrite
from fleet.reminders.models import Delivery, InboxNote
from fleet.reminders.post import NotBegun, NotLeft, PerhapsLeft, Postman

logger = logging.getLogger(__name__)
AT_ONCE = 20


def mail_some(urgent: bool) -> bool:
    """Take some due mails and hand them over. True while more may be due."""
    outbox.find_uncertain()
    rows = outbox.take(Delivery.Channel.MAIL, urgent, AT_ONCE)
    ends = time.monotonic() + settings.DELIVERY_TAKEN_SECONDS / 2
    composer = Composer(rows)
    with Postman() as postman:
        for place, row in enumerate(rows):
            if time.monotonic() > ends or not _guarded(row, lambda taken: _mail(taken, composer, postman)):
                for left in rows[place:]:  # back in line untried; a settled row is not touched
                    outbox.let_go(left)
                return False
    return len(rows) == AT_ONCE


def call_some() -> bool:
    """Take some due web-hook calls and make them; a receiver that fails holds up only its own."""
    rows = outbox.take(Delivery.Channel.HOOK, True, AT_ONCE)
    ends = time.monotonic() + settings.DELIVERY_TAKEN_SECONDS / 2
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


def _mail(row: Delivery, composer: Composer, postman: Postman) -> bool:
    composed = composer.compose(row)
    try:
        words = postman.deliver(composed.message, composed.sight.person.email, lambda: _begin(row, composed))
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


def _begin(row: Delivery, composed: Composed) -> bool:
    """The last look at whether she may hear of it, in the transaction that says that it leaves."""
    with transaction.atomic():
        now = sight_of(composed.sight.person.pk)
        if now is None:
            raise NotToTell("This person may see nothing here any more.")
        if now.person.email != composed.sight.person.email:
            return False
        if composed.happening is not None:
            if not any(may_hear(member, composed.happening) for member in now.memberships):
                raise NotToTell("She may not see this any more.")
        elif now.scope.reaches != composed.sight.scope.reaches:
            return False
        if composed.note_ids:
            with unscoped("notes of this person's digest"):
                InboxNote.objects.filter(pk__in=composed.note_ids).update(mailed_on=row.due_on)
        return outbox.begin(row)
