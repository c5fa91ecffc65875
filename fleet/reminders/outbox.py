"""The outbox's verbs: write once, take, begin, settle. Every step is a conditional update; none spans the network.

waiting -> taken -> (committed) leaving -> sent. A taken row whose worker is lost goes back in line by itself, for
nothing has left. A leaving row whose worker is lost is uncertain: it is shown and never sent again by itself.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from email.utils import parseaddr

from django.conf import settings
from django.db import transaction
from django.db.models import Count, F, Min, Q
from django.utils import timezone

from fleet.estate.history import record_change
from fleet.estate.scope import current_scope, unscoped
from fleet.reminders.models import Delivery

State = Delivery.State
MAX_ATTEMPTS = 8
MAX_TAKEN = 40
GROWTH = 4  # each pause is so many times the one before: 1 min, 4 min, 16 min, 1 h, 4 h, 17 h, then daily
LONGEST_PAUSE = timedelta(days=1)


class CannotSettle(ValueError):
    """What was asked of this delivery does not fit the state it is in."""


@dataclass(frozen=True)
class ToTell:
    """One row to be written: who, what, which day, by which way, not before when."""

    organisation_id: int
    what: str
    due_on: date
    due_at: datetime
    urgent: bool = False
    person_id: int | None = None
    hook_id: int | None = None
    happening_id: int | None = None


def taken_for() -> timedelta:
    return timedelta(seconds=settings.DELIVERY_TAKEN_SECONDS)


def new_message_id() -> str:
    domain = parseaddr(settings.DEFAULT_FROM_EMAIL)[1].rpartition("@")[2] or "localhost"
    return f"<{uuid.uuid4().hex}@{domain}>"


def write_down(rows: Iterable[ToTell]) -> None:
    """Into the outbox, once: a row of the same who, what, day and way stands as it is."""
    now = timezone.now()
    written = [
        Delivery(
            channel=Delivery.Channel.MAIL if row.person_id else Delivery.Channel.HOOK,
            message_id=new_message_id(),
            created_at=now,
            **row.__dict__,
        )
        for row in rows
    ]
    with unscoped("each row carries its own organisation"):
        Delivery.objects.bulk_create(written, ignore_conflicts=True, batch_size=1000)


def take(channel: str, urgent: bool, limit: int) -> list[Delivery]:
    """Take due rows for this process. Nothing has left while a row is only taken."""
    now, claim = timezone.now(), uuid.uuid4()
    free = Q(state=State.WAITING) | Q(state=State.TAKEN, claimed_until__lt=now)
    with unscoped("the outbox of all organisations"), transaction.atomic():
        due = Delivery.objects.filter(free, channel=channel, urgent=urgent, due_at__lte=now).order_by(
            "due_at", "id"
        )
        ids = list(due.select_for_update(skip_locked=True, of=("self",)).values_list("pk", flat=True)[:limit])
        if not ids:
            return []
        worn = Delivery.objects.filter(free, pk__in=ids, taken_times__gte=MAX_TAKEN)
        worn.update(
            state=State.GIVEN_UP, claim=None, words="The worker was lost each time before anything left."
        )
        Delivery.objects.filter(free, pk__in=ids).update(
            state=State.TAKEN, claim=claim, claimed_until=now + taken_for(), taken_times=F("taken_times") + 1
        )
    with unscoped("the outbox of all organisations"):
        rows = Delivery.objects.filter(claim=claim, state=State.TAKEN).order_by("due_at", "id")
        return list(rows.select_related("person", "hook", "happening__property", "happening__organisation"))


def begin(delivery: Delivery) -> bool:
    """Taken -> leaving, committed by the caller before the first byte that could be a message. False: not ours now."""
    with unscoped("one's own delivery"):
        rows = Delivery.objects.filter(pk=delivery.pk, claim=delivery.claim, state=State.TAKEN)
        return bool(
            rows.update(
                state=State.SENDING,
                sending_at=timezone.now(),
                claimed_until=None,
                attempts=F("attempts") + 1,
            )
        )


def settle_sent(delivery: Delivery, words: str = "") -> None:
    """It was taken by the other side. Also true when it was meanwhile held for uncertain."""
    _settle(delivery, [State.SENDING, State.UNCERTAIN], state=State.SENT, sent_at=timezone.now(), words=words)


def settle_uncertain(delivery: Delivery, words: str) -> None:
    _settle(delivery, [State.SENDING], state=State.UNCERTAIN, words=words)


def settle_not_told(delivery: Delivery, words: str) -> None:
    _settle(delivery, [State.TAKEN], state=State.NOT_TOLD, words=words)


def settle_refused_for_good(delivery: Delivery, words: str) -> None:
    _settle(delivery, [State.TAKEN, State.SENDING], state=State.GIVEN_UP, words=words)


def settle_failed(delivery: Delivery, words: str) -> None:
    """It surely did not go. Again after a pause, each longer than the one before; after the last try given up."""
    attempts = delivery.attempts + 1
    if attempts >= MAX_ATTEMPTS:
        _settle(delivery, [State.TAKEN, State.SENDING], state=State.GIVEN_UP, words=words, attempts=attempts)
        return
    _settle(
        delivery,
        [State.TAKEN, State.SENDING],
        state=State.WAITING,
        words=words,
        attempts=attempts,
        due_at=timezone.now() + pause_after(attempts),
    )


def let_go(delivery: Delivery) -> None:
    """Back in line untried."""
    _settle(delivery, [State.TAKEN], state=State.WAITING)


def postpone(delivery: Delivery) -> None:
    """Back in line untried, after the first pause: the other side has just failed for another row."""
    _settle(delivery, [State.TAKEN], state=State.WAITING, due_at=timezone.now() + pause_after(1))


def pause_after(attempts: int) -> timedelta:
    return min(
        timedelta(seconds=settings.DELIVERY_PAUSE_SECONDS * GROWTH ** max(attempts - 1, 0)), LONGEST_PAUSE
    )


def _settle(delivery: Delivery, states: list[State], **fields: object) -> None:
    if isinstance(fields.get("words"), str):
        fields["words"] = str(fields["words"])[:400]
    with unscoped("one's own delivery"):
        rows = Delivery.objects.filter(pk=delivery.pk, claim=delivery.claim, state__in=states)
        rows.update(claimed_until=None, **fields)


def find_uncertain() -> int:
    """A sending that was begun and never ended: nobody knows whether it left. Never sent again by itself."""
    before = timezone.now() - timedelta(seconds=settings.DELIVERY_STALE_SECONDS)
    with unscoped("the outbox of all organisations"):
        return int(
            Delivery.objects.filter(state=State.SENDING, sending_at__lt=before).update(
                state=State.UNCERTAIN, words="The worker was lost while it was leaving."
            )
        )


# What an operator may do with a row.


@transaction.atomic
def send_again(delivery: Delivery) -> None:
    """Back in line, under the same Message-ID, so that a receiver can tell a repeat."""
    _by_hand(
        delivery,
        [State.UNCERTAIN, State.GIVEN_UP],
        "send again",
        state=State.WAITING,
        due_at=timezone.now(),
        attempts=0,
        taken_times=0,
        claim=None,
    )


@transaction.atomic
def was_sent(delivery: Delivery) -> None:
    _by_hand(delivery, [State.UNCERTAIN], "was sent", state=State.SENT, sent_at=timezone.now())


@transaction.atomic
def leave_it(delivery: Delivery) -> None:
    _by_hand(delivery, [State.UNCERTAIN, State.GIVEN_UP, State.WAITING], "left unsent", state=State.NOT_TOLD)


def _by_hand(delivery: Delivery, states: list[State], verb: str, **fields: object) -> None:
    before = delivery.state
    rows = Delivery.objects.filter(pk=delivery.pk, state__in=states)
    if not rows.update(settled_by=current_scope().actor[:200], **fields):
        delivery.refresh_from_db()
        raise CannotSettle(f"This delivery is {delivery.get_state_display()} by now; nothing was changed.")
    record_change(delivery, verb, {"state": (before, str(fields["state"]))})


def counts() -> dict[str, int]:
    """How many rows in each state, in the current scope."""
    found = dict(Delivery.objects.order_by().values_list("state").annotate(n=Count("id")))
    return {state: found.get(state, 0) for state in State.values}


def oldest_due() -> datetime | None:
    """Since when the oldest row waits that could have gone; None when nothing is late."""
    due = Delivery.objects.filter(state__in=[State.WAITING, State.TAKEN], due_at__lte=timezone.now())
    oldest: datetime | None = due.aggregate(oldest=Min("due_at"))["oldest"]
    return oldest
