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
from fleet.estate.scope import Reach, scoped
from fleet.reminders.entitled import Sight
from fleet.reminders.models import InboxNote
from fleet.reminders.preferences import Own, wish_of

# How far each rhythm looks ahead, in days: at least until its next digest. Judgement, no source.
AHEAD_DAYS = {"daily": 7, "weekly": 14, "monthly": 45}
SHOWN_BUILDINGS = 40
SHOWN_NOTES = 15
Reaches = tuple[Reach, ...]


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


class Digests:
    """Writes digests of many people; those who see the same are read for once."""

    def __init__(self, own: Own, sights: Iterable[Sight]) -> None:
        self.own = own
        self._alike: dict[Reaches, list[int]] = {}
        for sight in sights:
            self._alike.setdefault(sight.scope.reaches, []).append(sight.person.pk)
        self._notes: dict[Reaches, dict[int, list[InboxNote]]] = {}
        self._places: dict[Reaches, list[Property]] = {}
        self._lines: dict[tuple[Reaches, date, int, tuple[int, ...] | None], list[BuildingLines]] = {}
        self._unsafe: dict[Reaches, dict[int, int]] = {}

    def of(self, sight: Sight, days: Sequence[date]) -> Digest:
        """The digest of the last of these days: the properties whose rhythm falls on one of them, as far as she
        may see them now. More than one day: the ones before brought no mail."""
        home = {member.organisation_id: member for member in sight.memberships}
        reaches = sight.scope.reaches
        with scoped(sight.scope):
            places = self._places_in(reaches)
            groups: dict[tuple[date, int], list[int]] = {}
            for place in places:
                member = home.get(place.organisation_id, sight.memberships[0])
                wish = wish_of(self.own.of(member, place.pk), place.time_zone)
                if any(wish.falls_on(day) for day in days):
                    key = (today_of(place.organisation, place), AHEAD_DAYS[wish.rhythm])
                    groups.setdefault(key, []).append(place.pk)
            rows: list[BuildingLines] = []
            for (today, ahead), numbers in groups.items():
                rows += self._due(
                    reaches, today, ahead, tuple(numbers) if len(numbers) < len(places) else None
                )
            unsafe = self._unsafe_in(reaches)
            covered = [number for numbers in groups.values() for number in numbers]
            notes = self._notes_in(reaches).get(sight.person.pk, [])
            notes = [note for note in notes if note.mailed_on in (None, days[-1])][:SHOWN_NOTES]
        rows.sort(key=lambda row: (row.earliest, row.place, row.name))
        return Digest(days[-1], rows, sum(unsafe.get(number, 0) for number in covered), notes)

    def _places_in(self, reaches: Reaches) -> list[Property]:
        if reaches not in self._places:
            rows = Property.objects.select_related("organisation").order_by("id")
            self._places[reaches] = list(rows)
        return self._places[reaches]

    def _due(
        self, reaches: Reaches, today: date, ahead: int, property_ids: tuple[int, ...] | None
    ) -> list[BuildingLines]:
        key = (reaches, today, ahead, property_ids)
        if key not in self._lines:
            self._lines[key] = due_lines(today, ahead, property_ids)
        return self._lines[key]

    def _unsafe_in(self, reaches: Reaches) -> dict[int, int]:
        if reaches not in self._unsafe:
            place = "heater__position__building__property_id"
            rows = UnsafeFinding.objects.filter(closed_at=None).order_by()
            self._unsafe[reaches] = dict(rows.values_list(place).annotate(count=Count("id")))
        return self._unsafe[reaches]

    def _notes_in(self, reaches: Reaches) -> dict[int, list[InboxNote]]:
        """By person: unread notes of things that were not urgent."""
        if reaches not in self._notes:
            rows = InboxNote.objects.filter(
                person_id__in=self._alike.get(reaches, []), read_at=None, happening__urgent=False
            )
            found: dict[int, list[InboxNote]] = {}
            for row in rows.select_related("happening", "property").order_by("created_at", "id"):
                found.setdefault(row.person_id, []).append(row)
            self._notes[reaches] = found
        return self._notes[reaches]


def due_lines(today: date, ahead: int, property_ids: Iterable[int] | None = None) -> list[BuildingLines]:
    """What is late and due within so many days, by building, counted in the database, in the current scope."""
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
    buildings: dict[int, BuildingLines] = {}
    for number, name, property_name, kind, count, late, first in rows:
        row = buildings.setdefault(number, BuildingLines(number, name, property_name))
        row.late += late
        row.due += count - late
        row.earliest = min(row.earliest, first)
        row.kinds.append((names[kind].name if kind in names else kind, count))
    return list(buildings.values())
