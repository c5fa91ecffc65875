"""From what happened to who is told: notes in the inbox, alerts in the outbox, and the next person when nobody acts."""

from __future__ import annotations

import zoneinfo
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from itertools import groupby

from django.db import transaction
from django.utils import timezone

from fleet.estate.models import Happening, Membership, Property
from fleet.estate.scope import unscoped
from fleet.reminders import hooks
from fleet.reminders.entitled import Listeners, may_hear
from fleet.reminders.models import Correspondent, Delivery, EscalationRule, InboxNote, WebHook
from fleet.reminders.moments import after_quiet
from fleet.reminders.outbox import ToTell, write_down
from fleet.reminders.preferences import Own, own_preferences

AT_ONCE = 50
ESCALATES_FOR = timedelta(days=31)
# What may come in numbers: the day on which a record is taken in, two thousand properties have safety work that is late.
# While a mail of such a kind still waits for its person it speaks of those that follow as well (`composing.py`).
TOGETHER = frozenset({"safety_task_missed"})
Told = list[tuple[Happening, list[Membership]]]


def tell_next() -> bool:
    """Hand on what nobody was told of yet, the oldest first. True while more remains."""
    with unscoped("what happened in all organisations"):
        rows = list(
            Happening.objects.filter(told_at=None)
            .select_related("organisation", "property")
            .order_by("id")[:AT_ONCE]
        )
    listeners = Listeners()
    for _, alike in groupby(rows, key=_together):
        tell(list(alike), listeners)
    return len(rows) == AT_ONCE


def _together(row: Happening) -> tuple[int, object]:
    return (row.organisation_id, row.kind if row.kind in TOGETHER else row.pk)


@transaction.atomic
def tell(happenings: Sequence[Happening], listeners: Listeners) -> None:
    """Write their notes, mails and calls, and that they were told: all or nothing, by one process. Where they are
    several, they are of one house and one kind."""
    now = timezone.now()
    with unscoped("telling each person whose own scope covers it"):
        free = Happening.objects.filter(pk__in=[one.pk for one in happenings], told_at=None).order_by("pk")
        mine = set(free.select_for_update(of=("self",)).values_list("pk", flat=True))
        Happening.objects.filter(pk__in=mine).update(told_at=now)
        told = [(one, listeners.of(one)) for one in happenings if one.pk in mine]
        _note(told, now)
        wishes = _Wishes(told)
        waiting = _waiting(happenings[0])
        rows: list[ToTell] = []
        for one, people in told:
            if one.urgent:
                rows += wishes.mails(one, people, now, f"alert:{one.pk}", waiting)
            rows += _calls(one, now)
        write_down(rows)


def _waiting(happening: Happening) -> dict[int, datetime]:
    """For whom a mail waits that will speak of this too, and when it is due. It is held until what it says is written."""
    if happening.kind not in TOGETHER:
        return {}
    rows = Delivery.objects.filter(
        channel=Delivery.Channel.MAIL,
        state=Delivery.State.WAITING,
        what__startswith="alert:",
        happening__kind=happening.kind,
        happening__organisation_id=happening.organisation_id,
    )
    held = rows.select_for_update(of=("self",)).order_by("-due_at", "pk")
    return {number: due for number, due in held.values_list("person_id", "due_at") if number}


def _calls(happening: Happening, now: datetime) -> list[ToTell]:
    called = WebHook.objects.filter(organisation_id=happening.organisation_id, switched_off_at=None)
    what, day = f"alert:{happening.pk}", _day(happening, now)
    return [
        ToTell(hook.organisation_id, what, day, now, urgent=True, hook_id=hook.pk, happening_id=happening.pk)
        for hook in called
        if hooks.wants(hook, happening)
    ]


def _zone(happening: Happening) -> zoneinfo.ZoneInfo:
    place: Property | None = happening.property
    return zoneinfo.ZoneInfo(place.time_zone if place else "UTC")


def _day(happening: Happening, now: datetime) -> date:
    return now.astimezone(_zone(happening)).date()


def _note(told: Told, now: datetime, escalated: bool = False) -> None:
    notes = [
        InboxNote(
            organisation_id=happening.organisation_id,
            person_id=one.person_id,
            property_id=happening.property_id,
            happening=happening,
            escalated=escalated,
            created_at=now,
        )
        for happening, people in told
        for one in people
    ]
    InboxNote.objects.bulk_create(notes, ignore_conflicts=True, batch_size=1000)


class _Wishes:
    """How the people of some happenings want to be told, read once."""

    def __init__(self, told: Told) -> None:
        ids = {one.person_id for _, people in told for one in people}
        self.own: Own = own_preferences(ids)
        stopped = Correspondent.objects.filter(person_id__in=ids, alerts_stopped_at__isnull=False)
        self.stopped = set(stopped.values_list("person_id", flat=True))

    def mails(
        self,
        happening: Happening,
        people: list[Membership],
        now: datetime,
        what: str,
        waiting: dict[int, datetime],
    ) -> list[ToTell]:
        """One mail each, but for those whose waiting mail goes out in time and speaks of this too."""
        zone, rows = _zone(happening), []
        day = _day(happening, now)
        for one in people:
            wish = self.own.of(one, happening.property_id)
            if not wish.alerts_by_mail or one.person_id in self.stopped:
                continue
            due = after_quiet(now, wish.quiet_from, wish.quiet_until, zone) if wish.alerts_wait else now
            if one.person_id in waiting and waiting[one.person_id] <= due:
                continue
            waiting[one.person_id] = due
            rows.append(
                ToTell(
                    one.organisation_id,
                    what,
                    day,
                    due,
                    urgent=True,
                    person_id=one.person_id,
                    happening_id=happening.pk,
                )
            )
        return rows


def escalate_next() -> bool:
    """Where nobody acts on an alert: tell the next person, once for each step."""
    with unscoped("alerts of all organisations that nobody took on"):
        rules = list(EscalationRule.objects.order_by("after_minutes", "id"))
        for organisation_id in sorted({rule.organisation_id for rule in rules}):
            own = [rule for rule in rules if rule.organisation_id == organisation_id]
            _escalate_in(organisation_id, own)
    return False


def _escalate_in(organisation_id: int, rules: list[EscalationRule]) -> None:
    now = timezone.now()
    shortest = min(rule.after_minutes for rule in rules)
    rows = Happening.objects.filter(
        organisation_id=organisation_id,
        urgent=True,
        taken_on_at=None,
        told_at__lte=now - timedelta(minutes=shortest),
        told_at__gte=now - ESCALATES_FOR,
    ).select_related("organisation", "property")
    for happening in rows.order_by("id"):
        waited = (now - happening.told_at).total_seconds() / 60
        covering = [rule for rule in rules if _covers(rule, happening)]
        for step in sorted({rule.after_minutes for rule in covering}):
            if happening.escalated_minutes < step <= waited:
                escalate(happening, step, [rule for rule in covering if rule.after_minutes == step])


def _covers(rule: EscalationRule, happening: Happening) -> bool:
    return rule.kind in ("", happening.kind) and rule.property_id in (None, happening.property_id)


@transaction.atomic
def escalate(happening: Happening, step: int, rules: list[EscalationRule]) -> bool:
    """One step, by one process: everybody named for it is told, as far as she may hear of it."""
    now = timezone.now()
    open_rows = Happening.objects.filter(pk=happening.pk, taken_on_at=None, escalated_minutes__lt=step)
    if not open_rows.update(escalated_minutes=step):
        return False
    found: dict[int, Membership] = {}
    members = Membership.objects.filter(person_id__in=[rule.person_id for rule in rules])
    for one in members.filter(person__is_active=True).select_related("person", "organisation").order_by("id"):
        if one.person_id not in found and may_hear(one, happening):
            found[one.person_id] = one
    people = list(found.values())
    told = [(happening, people)]
    write_down(_Wishes(told).mails(happening, people, now, f"escalation:{step}:{happening.pk}", {}))
    _note(told, now, escalated=True)
    notes = InboxNote.objects.filter(happening=happening, person_id__in=found)
    notes.update(escalated=True, read_at=None)
    return True
