"""What taking a file in would write: gathered by the comparison, carried out by `services.take`."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from fleet.heaters.register import OnRecord, Place, Register, name_key
from fleet.heaters.rows import ReadRow, SheetReading

Changes = dict[str, tuple[Any, Any]]


@dataclass(slots=True)
class HeaterChange:
    heater: OnRecord
    changes: Changes
    moved_from: Place | None = None


@dataclass(slots=True)
class NewService:
    heater: OnRecord
    columns: dict[str, Any]


@dataclass(slots=True)
class NewWater:
    property: Place
    building: Place | None
    columns: dict[str, Any]


@dataclass(slots=True)
class RowChange:
    """A service record or water test on record whose values the file changes."""

    pk: int
    changes: Changes
    label: str


@dataclass
class Plan:
    register: Register
    file_stem: str
    new_heaters: list[OnRecord] = field(default_factory=list)
    changed_heaters: list[HeaterChange] = field(default_factory=list)
    new_services: list[NewService] = field(default_factory=list)
    changed_services: list[RowChange] = field(default_factory=list)
    new_waters: list[NewWater] = field(default_factory=list)
    changed_waters: list[RowChange] = field(default_factory=list)
    said_no_property: bool = False
    told_last: list[tuple[SheetReading, ReadRow, OnRecord]] = field(default_factory=list)
    outcome: dict[tuple[str, int], str] = field(default_factory=dict)
    refused_tags: dict[str, str] = field(default_factory=dict)  # tags of refused heaters -> where they stand
    _counts: dict[tuple[str, str], int] = field(default_factory=dict)

    def note(self, reading: SheetReading, row: ReadRow, outcome: str) -> None:
        self.outcome[reading.name, row.number] = outcome

    def refuse_tags_of(self, reading: SheetReading) -> None:
        """Keep where refused heaters stand, unless one so called is on record or taken in."""
        for tag, row in reading.refused_tags():
            if (key := name_key(tag)) not in self.register.by_tag:
                self.refused_tags.setdefault(key, f"row {row} of '{reading.name}'")

    def settle_places(self) -> None:
        """Rows that change only their place count as changed; then count."""
        for places in self.register.touched.values():
            for place in places.values():
                key = place.touched_by
                if place.changes and self.outcome.get(key) == "same":
                    self.outcome[key] = "changed"
        for (sheet, _), outcome in self.outcome.items():
            self._counts[sheet, outcome] = self._counts.get((sheet, outcome), 0) + 1

    def count(self, sheet: str, outcome: str) -> int:
        return self._counts.get((sheet, outcome), 0)

    @property
    def is_empty(self) -> bool:
        register = self.register
        return not (
            self.new_heaters
            or self.changed_heaters
            or self.new_services
            or self.changed_services
            or self.new_waters
            or self.changed_waters
            or any(register.new_places.values())
            or any(place.changes for places in register.touched.values() for place in places.values())
        )
