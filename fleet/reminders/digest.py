"""What a digest says: what is due and late in what one person may see, by building, found when it is sent."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from django.conf import settings
from django.db.models import Count, Min, Q
from django.urls import reverse

from fleet.care.kinds import task_kinds
from fleet.care.models import Task, UnsafeFinding
from fleet.estate.calendar import today_of
from fleet.estate.models import Property
from fleet.estate.scope import scoped
from fleet.reminders.entitled import Sight
from fleet.reminders.models import InboxNote
from fleet.reminders.preferences import Own, wish_of

# How far each rhythm looks ahead, in days: at least until its next digest. Judgement, no source.
AHEAD_DAYS = {"daily": 7, "weekly": 14, "monthly": 45}
SHOWN_BUILDINGS = 40
SHOWN_NOTES = 15


@dataclass
class BuildingLines:
    """One building: how much of what."""

    building_id: int
    name: str
    place: str
    late: int = 0
    due: int = 0
    earliest: date = date.max
    kinds: list[tuple[str, int]] = field(default_factory=list)

    @property
    def address(self) -> str:
        return settings.ADDRESS + reverse("care:building", args=[self.building_id])

    @property
    def words(self) -> str:
        return ", ".join(f"{name} ({count})" for name, count in sorted(self.kinds, key=lambda kind: -kind[1]))


@dataclass
class Digest:
    day: date
    buildings: list[BuildingLines]
    unsafe: int = 0
    notes: list[InboxNote] = field(default_factory=list)

    @property
    def late(self) -> int:
        return sum(row.late for row in self.buildings)

    @property
    def due(self) -> int:
        return sum(row.due for row in self.buildings)

    @property
    def is_empty(self) -> bool:
        return not self.buildings and not self.unsafe and not self.notes


def digest_of(sight: Sight, own: Own, days: Sequence[date]) -> Digest:
    """The digest of the last of these days: the properties whose rhythm falls on one of them, as far as she may
    see them now. More than one day: the ones before brought no mail."""
    home = {member.organisation_id: member for member in sight.memberships}
    with scoped(sight.scope):
        places = list(Property.objects.select_related("organisation").order_by("id"))
        groups: dict[tuple[date, int], list[int]] = {}
        for place in places:
            member = home.get(place.organisation_id, sight.memberships[0])
            wish = wish_of(own.of(member, place.pk), place.time_zone)
            if any(wish.falls_on(day) for day in days):
                key = (today_of(place.organisation, place), AHEAD_DAYS[wish.rhythm])
                groups.setdefault(key, []).append(place.pk)
        buildings: dict[int, BuildingLines] = {}
        for (today, ahead), numbers in groups.items():
            _add_due(buildings, today, ahead, numbers if len(numbers) < len(places) else None)
        rows = sorted(buildings.values(), key=lambda row: (row.earliest, row.place, row.name))
        covered = [number for numbers in groups.values() for number in numbers]
        digest = Digest(days[-1], rows, _open_unsafe(covered), _notes(sight.person.pk, days[-1]))
    return digest


def _add_due(
    buildings: dict[int, BuildingLines], today: date, ahead: int, property_ids: Iterable[int] | None
) -> None:
    place = "heater__position__building"
    due = Task.objects.filter(state="open", due_on__lte=today + timedelta(days=ahead))
    if property_ids is not None:
        due = due.filter(**{f"{place}__property_id__in": list(property_ids)})
    names: Any = task_kinds()
    rows = (
        due.order_by()
        .values_list(f"{place}_id", f"{place}__name", f"{place}__property__name", "kind")
        .annotate(count=Count("id"), late=Count("id", filter=Q(due_on__lt=today)), first=Min("due_on"))
    )
    for number, name, property_name, kind, count, late, first in rows:
        row = buildings.setdefault(number, BuildingLines(number, name, property_name))
        row.late += late
        row.due += count - late
        row.earliest = min(row.earliest, first)
        row.kinds.append((names[kind].name if kind in names else kind, count))


def _open_unsafe(property_ids: list[int]) -> int:
    if not property_ids:
        return 0
    rows = UnsafeFinding.objects.filter(closed_at=None)
    return int(rows.filter(heater__position__building__property_id__in=property_ids).count())


def _notes(person_id: int, day: date) -> list[InboxNote]:
    """Notes that no digest has held yet, and those of this day's, should it be written again."""
    rows = InboxNote.objects.filter(person_id=person_id, read_at=None, happening__urgent=False)
    rows = rows.filter(Q(mailed_on=None) | Q(mailed_on=day)).select_related("happening", "property")
    return list(rows.order_by("created_at", "id")[:SHOWN_NOTES])
