"""The organisation's places and heaters as an import sees them: what is on record, and what the file adds to it.

Held in memory while a file is compared; nothing here writes. Names are compared without case or doubled spaces.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from operator import itemgetter
from typing import Any

from django.db.models import Q, QuerySet
from django.db.models.functions import Upper

from fleet.estate.bulk_rows import in_parts
from fleet.estate.models import Building, Position, Property
from fleet.heaters.models import Heater

PROPERTY_FIELDS = (
    "address",
    "time_zone",
    "fiscal_year_start_month",
    "currency",
    "code_family",
    "records_since",
    "emergency_contact",
    "latitude",
    "longitude",
)
BUILDING_FIELDS = ("year_built", "units_served", "softened_since")
POSITION_FIELDS = (
    "floor",
    "room",
    "below",
    "has_pan",
    "has_drain",
    "has_leak_alarm",
    "has_shutoff_valve",
    "closed_system",
    "has_expansion_tank",
    "static_pressure_psi",
    "seismic_zone",
    "clear_height_in",
    "clear_width_in",
    "clear_depth_in",
    "room_volume_ft3",
    "hard_access",
    "has_mixing_valve",
    "has_sediment_trap",
    "has_seismic_straps",
    "vent_lined",
    "has_240v_circuit",
)
HEATER_DATES = ("made", "installed", "removed")
HEATER_PLAIN = (
    "kind",
    "fuel",
    "maker",
    "model_number",
    "serial_number",
    "capacity_gal",
    "input_btu_h",
    "energy_factor",
    "ending",
    "warranty_years",
    "anode_kind",
    "anode_count",
    "setpoint_f",
    "relief_valve_psi",
    "relief_valve_btu_h",
    "vent_kind",
    "recirculation",
    "homes_served",
    "notes",
)
DATE_PARTS = ("earliest", "latest", "precision")
HEATER_COLUMNS = (*HEATER_PLAIN, *(f"{name}_{part}" for name in HEATER_DATES for part in DATE_PARTS))
COLUMN_INDEX = {name: index for index, name in enumerate(HEATER_COLUMNS)}
_HEATER = ("id", "tag", "position_id", "version", *HEATER_COLUMNS)
NAMED_AT_ONCE = 5000
NOT_PLAIN = r"[^ -~]|  |^ | $"  # for a database's regular expressions: anything but single spaces between plain letters
_NTH = re.compile(r"(.+) \(\d+\)")


def name_key(name: str) -> str:
    return " ".join(name.casefold().split())


def without_number(label: str) -> str:
    """'Plant room (2)' -> 'Plant room': how a second heater in one place is told apart."""
    match = _NTH.fullmatch(label)
    return match[1] if match else label


@dataclass(slots=True)
class Place:
    """A property, building or position: `pk` None until written; `before` keeps what was on record."""

    pk: int | None
    name: str
    parent: Place | None = None
    values: dict[str, Any] = field(default_factory=dict)
    before: dict[str, Any] = field(default_factory=dict)
    touched_by: Any = None
    occupant: OnRecord | None = None
    children: dict[str, Place] = field(default_factory=dict)

    def learn(self, name: str, value: Any, row: Any) -> None:
        if self.values.get(name) != value:
            if self.pk is not None and name not in self.before:
                self.before[name] = self.values.get(name)
            self.values[name] = value
            self.touched_by = row

    @property
    def changes(self) -> dict[str, tuple[Any, Any]]:
        return {
            name: (before, self.values[name])
            for name, before in self.before.items()
            if before != self.values[name]
        }


@dataclass(slots=True, eq=False)
class OnRecord:
    """One heater, on record or about to be. `columns` follow HEATER_COLUMNS."""

    pk: int | None
    tag: str
    position: Place
    columns: tuple[Any, ...]
    version: int = 1
    claimed: bool = False

    def get(self, name: str) -> Any:
        return self.columns[COLUMN_INDEX[name]]

    @property
    def in_service(self) -> bool:
        return not self.get("ending")

    @property
    def certain_stay(self) -> tuple[date | None, date | None]:
        """First and last day it must have stood in its place; None where nothing is certain."""
        end = self.get("removed_earliest") or (date.max if self.in_service else None)
        return self.get("installed_latest"), end


@dataclass(frozen=True)
class Named:
    """All that a file can touch: heaters by tag and properties by name (as `name_key` makes them). Without properties
    (None) it needs no places either: a list of the service of heaters named by their tags."""

    tags: Collection[str]
    properties: Collection[str] | None = None


class Register:
    """What is on record: all of it, or with `named` the properties named, and those in which the heaters named stand."""

    def __init__(self, organisation_id: int, named: Named | None = None) -> None:
        self.organisation_id = organisation_id
        self.properties: dict[str, Place] = {}
        self.new_places: dict[str, list[Place]] = {"property": [], "building": [], "position": []}
        self.touched: dict[str, dict[int, Place]] = {"property": {}, "building": {}, "position": {}}
        self.by_tag: dict[str, OnRecord] = {}
        self._at: dict[int, list[OnRecord]] = {}
        self._positions: dict[int, Place] = {}
        self._heaters = Heater.objects.filter(organisation_id=organisation_id)
        for pk, tag, position_id, version, *columns in self._load_named(named) if named else self._load():
            place = self._positions.get(position_id) or Place(position_id, "")
            self.keep(OnRecord(pk, tag, place, tuple(columns), version))

    def _load(self) -> Iterable[Any]:
        properties = self._load_properties()
        of_mine = Q(organisation_id=self.organisation_id)
        self._load_places(properties, Building.objects.filter(of_mine), [Position.objects.filter(of_mine)])
        return self._heaters.order_by("id").values_list(*_HEATER).iterator(chunk_size=5000)

    def _load_named(self, named: Named) -> Iterable[Any]:
        """In the order of their numbers, as everything is: of two tags alike the later one counts."""
        if named.properties is None:
            return sorted(self._called(named.tags, _HEATER), key=itemgetter(0))
        properties = self._load_properties()
        wanted = {pk: place for pk, place in properties.items() if name_key(place.name) in named.properties}
        rows = self._load_heaters_in(wanted)
        known = {row[0] for row in rows}
        elsewhere = [
            where
            for pk, _, where in self._called(named.tags, ("id", "tag", "position_id"))
            if pk not in known
        ]
        others: dict[int, Place] = {}
        for some in in_parts(elsewhere, NAMED_AT_ONCE):
            homes = Building.objects.filter(positions__in=some).values_list("property_id", flat=True)
            others |= {pk: properties[pk] for pk in homes}
        return sorted(rows + self._load_heaters_in(others), key=itemgetter(0))

    def _load_properties(self) -> dict[int, Place]:
        by_pk: dict[int, Place] = {}
        mine = Property.objects.filter(organisation_id=self.organisation_id)
        for pk, name, *values in mine.values_list("id", "name", *PROPERTY_FIELDS):
            place = by_pk[pk] = Place(pk, name, None, dict(zip(PROPERTY_FIELDS, values, strict=True)))
            self.properties[name_key(name)] = place
        return by_pk

    def _load_heaters_in(self, properties: dict[int, Place]) -> list[Any]:
        """All places of these properties; and the heaters that stand there."""
        places: list[int] = []
        for some in in_parts(properties, NAMED_AT_ONCE):
            buildings = Building.objects.filter(property_id__among=some)
            within = in_parts(buildings.order_by("id").values_list("id", flat=True), NAMED_AT_ONCE)
            positions = (Position.objects.filter(building_id__among=part) for part in within)
            places += self._load_places(properties, buildings, positions)
        rows: list[Any] = []
        for some in in_parts(places, NAMED_AT_ONCE):
            rows += self._heaters.filter(position_id__among=some).order_by().values_list(*_HEATER)
        return rows

    def _load_places(
        self,
        properties: dict[int, Place],
        buildings: QuerySet[Building],
        positions: Iterable[QuerySet[Position]],
    ) -> list[int]:
        """Put buildings and positions into their properties; the numbers of the positions."""
        by_pk: dict[int, Place] = {}
        for pk, name, parent, *values in buildings.values_list("id", "name", "property_id", *BUILDING_FIELDS):
            if parent in properties:
                place = Place(pk, name, properties[parent], dict(zip(BUILDING_FIELDS, values, strict=True)))
                by_pk[pk] = properties[parent].children[name_key(name)] = place
        numbers = []
        for some in positions:
            rows: Any = some.values_list("id", "label", "building_id", *POSITION_FIELDS)
            for pk, name, parent, *values in rows.iterator(chunk_size=5000):
                if parent in by_pk:
                    place = Place(pk, name, by_pk[parent], dict(zip(POSITION_FIELDS, values, strict=True)))
                    self._positions[pk] = by_pk[parent].children[name_key(name)] = place
                    numbers.append(pk)
        return numbers

    def _called(self, tags: Collection[str], columns: Sequence[str]) -> list[Any]:
        """Heaters so called; `columns` begin with id and tag. Plain tags are found through their index; those in which
        case or spaces are no plain matter are few, and all are read."""
        found = list(self._heaters.filter(tag__regex=NOT_PLAIN).values_list(*columns))
        plain, known = self._heaters.annotate(upper=Upper("tag")), {row[0] for row in found}
        for some in in_parts(sorted({name.upper() for name in tags}), NAMED_AT_ONCE):
            named = plain.filter(upper__among=some).values_list(*columns)
            found += [row for row in named if row[0] not in known]
        return [row for row in found if name_key(row[1]) in tags]

    def keep(self, heater: OnRecord) -> None:
        self.by_tag[name_key(heater.tag)] = heater
        self._at.setdefault(id(heater.position), []).append(heater)
        if heater.in_service:
            heater.position.occupant = heater

    def move(self, heater: OnRecord, to: Place) -> None:
        if heater.position.occupant is heater:
            heater.position.occupant = None
        self._at[id(heater.position)].remove(heater)
        heater.position = to
        self._at.setdefault(id(to), []).append(heater)
        if heater.in_service:
            to.occupant = heater

    def heaters_at(self, position: Place) -> list[OnRecord]:
        """Every heater that stands or stood there, also in its numbered neighbours."""
        assert position.parent is not None
        found = list(self._at.get(id(position), ()))
        number = 2
        while neighbour := position.parent.children.get(f"{name_key(position.name)} ({number})"):
            found += self._at.get(id(neighbour), ())
            number += 1
        return found

    def property(self, name: str) -> Place:
        return self._child(self.properties, name, None, "property")

    def building(self, of: Place, name: str) -> Place:
        return self._child(of.children, name, of, "building")

    def position(self, of: Place, name: str) -> Place:
        return self._child(of.children, name, of, "position")

    def _child(self, among: dict[str, Place], name: str, parent: Place | None, kind: str) -> Place:
        key = name_key(name)
        place = among.get(key)
        if place is None:
            place = among[key] = Place(None, name, parent)
            self.new_places[kind].append(place)
        return place

    def learn(
        self, kind: str, place: Place, values: dict[str, Any], names: tuple[str, ...], row: Any
    ) -> None:
        for name in names:
            if name in values:
                place.learn(name, values[name], row)
        if place.before:
            self.touched[kind][id(place)] = place

    def clash(self, position: Place, heater: OnRecord) -> OnRecord | None:
        """The heater that certainly stood in that place while this one certainly stood there, if there is one.

        Certain is the time from the latest day of installation to the earliest day of removal; the database
        refuses two certain stays that overlap, and two heaters in service in one place.
        """
        if heater.in_service and position.occupant not in (None, heater):
            return position.occupant
        start, end = heater.certain_stay
        if start is None or end is None:
            return None
        for other in self._at.get(id(position), ()):
            other_start, other_end = other.certain_stay
            if other is heater or other_start is None or other_end is None:
                continue
            if other_start < end and start < other_end:
                return other
        return None

    def free_slot(self, position: Place, heater: OnRecord) -> Place:
        """The place itself, or the first 'place (2)', 'place (3)' that is free for this heater's whole stay."""
        assert position.parent is not None
        slot, number = position, 2
        while self.clash(slot, heater) is not None:
            slot = self.position(position.parent, f"{position.name[:190]} ({number})")
            number += 1
        return slot
