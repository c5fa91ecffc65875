"""What a taken row says, found when it is sent: for some rows at once, so that queries do not grow with each mail."""

from __future__ import annotations

import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from email.message import EmailMessage
from typing import Any

from django.conf import settings
from django.db.models import Exists, OuterRef, Q
from django.urls import reverse

from fleet.estate.models import Happening
from fleet.estate.scope import scoped, unscoped
from fleet.pages.reading import Habit, a_day, habits_of, in_my_days, reading_as
from fleet.reminders.clocks import DIGEST
from fleet.reminders.digest import SHOWN_BUILDINGS, Digest, Digests
from fleet.reminders.entitled import Sight, sights
from fleet.reminders.fan_out import TOGETHER
from fleet.reminders.mail import Words, write
from fleet.reminders.models import Correspondent, Delivery, InboxNote
from fleet.reminders.preferences import ALERTS, DIGESTS, own_preferences

NOTHING = "Nothing was due or late."
LONGEST_BACK = timedelta(days=31)
CAME = ("sent", "sending", "uncertain")


class NotToTell(Exception):
    """This must not, or need not, be told any more; the words say why."""


@dataclass(frozen=True)
class Composed:
    message: EmailMessage
    sight: Sight
    note_ids: tuple[int, ...] = ()
    happening: Happening | None = None  # what the mail names


class Composer:
    """Reads once what the mails of some rows need: who may see what, their wishes, what they stopped."""

    def __init__(self, rows: Sequence[Delivery]) -> None:
        people = {row.person_id for row in rows if row.person_id is not None}
        self.sights = sights(people)
        self.own = own_preferences(people)
        self.habits = habits_of(people)
        self.digests = Digests(self.own, self.sights.values())
        self.stopped = {row.person_id: row for row in Correspondent.objects.filter(person_id__in=people)}
        self.others: dict[int, list[tuple[date, str, str]]] = {}
        days = [row.due_on for row in rows if row.what == DIGEST]
        if days:
            self._read_other_digests(people, min(days) - LONGEST_BACK)

    def _read_other_digests(self, people: set[int], since: date) -> None:
        with unscoped("these people's other digests"):
            found = Delivery.objects.filter(
                person_id__in=people, what=DIGEST, channel=Delivery.Channel.MAIL, due_on__gte=since
            ).order_by()
            for person_id, *rest in found.values_list("person_id", "due_on", "state", "words"):
                self.others.setdefault(person_id, []).append((rest[0], rest[1], rest[2]))

    def compose(self, row: Delivery) -> Composed:
        """The mail, as its reader reads. Raises NotToTell when there is nothing, or not any more, to tell."""
        with reading_as(self.habits.get(row.person_id or 0, Habit())):
            return self._compose(row)

    def _compose(self, row: Delivery) -> Composed:
        sight = self.sights.get(row.person_id or 0)
        if sight is None:
            raise NotToTell("This person may see nothing here any more.")
        if not settings.MAIL_SET_UP:
            raise NotToTell("No mail server is set up.")
        stops = self.stopped.get(sight.person.pk)
        if row.what == DIGEST:
            if stops is not None and stops.digests_stopped_at is not None:
                raise NotToTell("She stopped her digests.")
            return self._digest(row, sight)
        if row.happening is None:
            return Composed(write(row, sight.person, Words("A test of your reminders", "test", {})), sight)
        if stops is not None and stops.alerts_stopped_at is not None:
            raise NotToTell("She stopped her alerts.")
        named, more = self._spoken_of(row, row.happening, sight)
        words = _alert(named, row.what.startswith("escalation"), more)
        return Composed(write(row, sight.person, words), sight, happening=named)

    def _spoken_of(self, row: Delivery, first: Happening, sight: Sight) -> tuple[Happening, int]:
        """What an alert names, and at how many more properties the like was told since that no mail of its own names."""
        if first.kind not in TOGETHER or not row.what.startswith("alert:"):
            return first, 0
        with unscoped("whether a mail of her own speaks of it"):
            mailed = Delivery.objects.filter(
                person_id=row.person_id, channel=Delivery.Channel.MAIL, what__startswith="alert:"
            ).filter(happening_id=OuterRef("happening_id"))
        since = Q(happening__told_at__gt=first.told_at) | Q(
            happening__told_at=first.told_at, happening_id__gt=first.pk
        )
        with scoped(sight.scope):
            notes = InboxNote.objects.filter(
                Q(happening=first) | since & ~Exists(mailed),
                person_id=row.person_id,
                happening__kind=first.kind,
                happening__organisation_id=first.organisation_id,
            ).order_by("happening_id")
            note = notes.select_related("happening__property", "happening__organisation").first()
            if note is None:
                raise NotToTell("This person may see nothing here any more.")
            return note.happening, notes.order_by().values("property_id").distinct().count() - 1

    def _digest(self, row: Delivery, sight: Sight) -> Composed:
        digest = self.digests.of(sight, self._days(row))
        if digest.is_empty:
            raise NotToTell(NOTHING)
        words = Words(_digest_subject(digest), "digest", _shown(digest), stops=DIGESTS)
        notes = tuple(note.pk for note in digest.notes)
        return Composed(write(row, sight.person, words), sight, notes)

    def _days(self, row: Delivery) -> list[date]:
        """The days that a digest speaks for: its own, and those since the last one that came."""
        others = self.others.get(row.person_id or 0, [])
        if any(day > row.due_on and state != "not_told" for day, state, _ in others):
            raise NotToTell("A newer digest took its place.")
        came = [
            day
            for day, state, words in others
            if day < row.due_on and (state in CAME or (state == "not_told" and words == NOTHING))
        ]
        first = max(max(came) + timedelta(days=1), row.due_on - LONGEST_BACK) if came else row.due_on
        return [first + timedelta(days=ahead) for ahead in range((row.due_on - first).days + 1)]


def _digest_subject(digest: Digest) -> str:
    counts = [f"{digest.late} late"] if digest.late else []
    counts += [f"{digest.due} due"] if digest.due else []
    counts += [f"{digest.unsafe} unsafe"] if digest.unsafe else []
    return f"Water heaters, {a_day(digest.day)}: {', '.join(counts) or 'notes'}"


def _shown(digest: Digest) -> dict[str, Any]:
    return {
        "digest": digest,
        "shown": digest.buildings[:SHOWN_BUILDINGS],
        "more": max(len(digest.buildings) - SHOWN_BUILDINGS, 0),
        "queue_address": settings.ADDRESS + reverse("care:queue"),
    }


def _alert(happening: Happening, escalated: bool, more: int) -> Words:
    place = happening.property
    zone = zoneinfo.ZoneInfo(place.time_zone if place else "UTC")
    at, sentence = happening.happened_at.astimezone(zone), in_my_days(happening.sentence)
    values = {
        "sentence": sentence,
        "property": place,
        "organisation": happening.organisation,
        "when": f"{a_day(at.date())}, {at:%H:%M %Z}",
        "inbox_address": settings.ADDRESS + reverse("reminders:inbox"),
        "escalated": escalated,
        "more": more,
        "address": settings.ADDRESS + happening.address if happening.address else "",
    }
    opening = "Nobody has acted yet: " if escalated else ""
    return Words(f"{opening}{sentence}", "alert", values, stops=ALERTS)
