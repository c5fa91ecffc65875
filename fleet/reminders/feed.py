"""A person's calendar of visits and due work: a secret address, read by any calendar program (iCalendar, RFC 5545).

What calendars were last told of each entry is kept, so that its UID never changes, its SEQUENCE counts up with each
change, and what is no longer to be done is cancelled instead of vanishing.
"""

from __future__ import annotations

import hashlib
import secrets
from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.conf import settings
from django.db import transaction
from django.urls import reverse
from django.utils import timezone
from icalendar import Calendar, Event

from fleet.care.kinds import task_kinds
from fleet.care.models import Task, Visit
from fleet.estate.access import scope_of, second_factor_since
from fleet.estate.calendar import today_of
from fleet.estate.models import Membership, Organisation, Person
from fleet.estate.scope import scoped, unscoped
from fleet.reminders.models import CalendarEntry, CalendarFeed

BACK_DAYS, AHEAD_DAYS = 90, 180
CANCELLED_FOR_DAYS = 60


@dataclass(frozen=True)
class Item:
    """One thing to be in calendars now."""

    name: str
    property_id: int
    organisation_id: int
    day: date
    title: str
    text: str
    path: str

    @property
    def digest(self) -> str:
        parts = "\n".join([self.day.isoformat(), self.title, self.text, self.path])
        return hashlib.sha256(parts.encode()).hexdigest()


def _digest_of(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


@transaction.atomic
def new_address(person: Person, organisation: Organisation) -> str:
    """Make the person's calendar address, or renew it: the old one opens nothing from now on. Shown this once."""
    secret = secrets.token_urlsafe(32)
    with unscoped("a person's own calendar"):
        CalendarFeed.objects.update_or_create(
            person=person,
            organisation=organisation,
            defaults={"secret_digest": _digest_of(secret), "made_at": timezone.now(), "read_at": None},
        )
    return settings.ADDRESS + reverse("reminders:calendar", args=[secret])


@transaction.atomic
def close_address(person: Person, organisation: Organisation) -> None:
    with unscoped("a person's own calendar"):
        CalendarFeed.objects.filter(person=person, organisation=organisation).delete()


def calendar_behind(secret: str) -> bytes | None:
    """The calendar of a secret address within what its person may see now; None when there is no such address."""
    with unscoped("a calendar is found by its secret alone"):
        feed = CalendarFeed.objects.filter(secret_digest=_digest_of(secret)).first()
        if feed is None:
            return None
        membership = (
            Membership.objects.filter(
                person_id=feed.person_id, organisation_id=feed.organisation_id, person__is_active=True
            )
            .select_related("person", "organisation")
            .first()
        )
        if membership is None or _made_without_the_factor(feed, membership):
            return None
        CalendarFeed.objects.filter(pk=feed.pk).update(read_at=timezone.now())
    with scoped(scope_of(membership)):
        return _written(membership.organisation)


def _made_without_the_factor(feed: CalendarFeed, membership: Membership) -> bool:
    """Where a second factor is asked for, an address opens nothing that was made before its person had one."""
    if not membership.organisation.second_factor_required:
        return False
    since = second_factor_since(membership.person)
    return since is None or feed.made_at < since


def _written(organisation: Organisation) -> bytes:
    today = today_of(organisation)
    first, last = today - timedelta(days=BACK_DAYS), today + timedelta(days=AHEAD_DAYS)
    items = {item.name: item for item in [*_visits(first, last), *_due(first, last)]}
    now = timezone.now()
    entries = _brought_up_to_date(items, first, last, now)
    calendar = Calendar()
    calendar.add("prodid", "-//Tank Almanac//Water heater work//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("name", f"Water heaters, {organisation}")
    calendar.add("x-wr-calname", f"Water heaters, {organisation}")
    calendar.add("refresh-interval", timedelta(hours=1), parameters={"VALUE": "DURATION"})
    for entry in entries:
        if not entry.cancelled or entry.changed_at > now - timedelta(days=CANCELLED_FOR_DAYS):
            calendar.add_component(_event(entry, items.get(entry.name)))
    return bytes(calendar.to_ical())


def _event(entry: CalendarEntry, item: Item | None) -> Event:
    event = Event()
    event.add("uid", f"urn:uuid:{entry.uid}")
    event.add("dtstamp", entry.changed_at)
    event.add("last-modified", entry.changed_at)
    event.add("sequence", entry.version)
    event.add("dtstart", entry.day)
    event.add("dtend", entry.day + timedelta(days=1))
    event.add("summary", entry.title)
    event.add("transp", "TRANSPARENT")
    event.add("status", "CANCELLED" if entry.cancelled else "CONFIRMED")
    if item is not None and not entry.cancelled:
        event.add("description", item.text)
        event.add("url", settings.ADDRESS + item.path)
    return event


def _counted(kinds: dict[str, int]) -> str:
    known = task_kinds()
    parts = [
        f"{known[kind].name if kind in known else kind} ({count})" for kind, count in sorted(kinds.items())
    ]
    return ", ".join(parts)


def _visits(first: date, last: date) -> list[Item]:
    rows = Visit.objects.filter(day__range=(first, last)).select_related("building__property")
    kinds: dict[int, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    tasks = Task.objects.filter(state="open", visit__day__range=(first, last)).order_by()
    for number, kind in tasks.values_list("visit_id", "kind"):
        kinds[number][kind] += 1
    items = []
    for visit in rows.order_by("day", "id"):
        if not kinds[visit.pk]:
            continue
        place = visit.building
        crew = f", {visit.crew}" if visit.crew else ""
        items.append(
            Item(
                f"visit-{visit.pk}",
                place.property_id,
                visit.organisation_id,
                visit.day,
                f"Visit: {place.property}, {place}{crew}"[:300],
                _counted(kinds[visit.pk]),
                reverse("care:building", args=[place.pk]),
            )
        )
    return items


def _due(first: date, last: date) -> list[Item]:
    """Work that no visit holds yet: one entry for each building and day."""
    place = "heater__position__building"
    rows = Task.objects.filter(state="open", visit=None, due_on__range=(first, last)).order_by()
    fields = (f"{place}_id", f"{place}__name", f"{place}__property_id", f"{place}__property__name")
    groups: dict[tuple[int, str, int, str, int, date], dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for *where, organisation_id, day, kind in rows.values_list(*fields, "organisation_id", "due_on", "kind"):
        groups[(where[0], where[1], where[2], where[3], organisation_id, day)][kind] += 1
    return [
        Item(
            f"due-{building_id}-{day}",
            property_id,
            organisation_id,
            day,
            f"Due: {property_name}, {building} ({sum(kinds.values())})"[:300],
            _counted(kinds),
            reverse("care:building", args=[building_id]),
        )
        for (building_id, building, property_id, property_name, organisation_id, day), kinds in groups.items()
    ]


@transaction.atomic
def _brought_up_to_date(
    items: dict[str, Item], first: date, last: date, now: datetime
) -> list[CalendarEntry]:
    """The entries in scope as they stand after this look; each changed one counts its version up once."""
    held = {row.name: row for row in CalendarEntry.objects.filter(day__range=(first, last)).order_by("pk")}
    beyond = CalendarEntry.objects.filter(name__in=[name for name in items if name not in held])
    held |= {row.name: row for row in beyond}
    new = [
        CalendarEntry(
            organisation_id=item.organisation_id,
            property_id=item.property_id,
            name=name,
            day=item.day,
            title=item.title,
            digest=item.digest,
            changed_at=now,
        )
        for name, item in items.items()
        if name not in held
    ]
    CalendarEntry.objects.bulk_create(new, ignore_conflicts=True, batch_size=1000)
    changed = []
    for name, row in held.items():
        known = items.get(name)
        if known is None and not row.cancelled:
            row.cancelled = True
        elif known is not None and (row.cancelled or row.digest != known.digest):
            row.cancelled, row.day, row.title, row.digest = False, known.day, known.title, known.digest
        else:
            continue
        row.version, row.changed_at = row.version + 1, now
        changed.append(row)
    names = ["cancelled", "day", "title", "digest", "version", "changed_at"]
    CalendarEntry.objects.bulk_update(changed, names, batch_size=500)
    return list(CalendarEntry.objects.filter(day__range=(first, last)).order_by("day", "pk"))
