"""What a company sees of its clients at once. Every number is counted inside the scope of who asks."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from fleet.care.due_list import due_list
from fleet.estate.calendar import day_of
from fleet.estate.grants import Client, clients_of
from fleet.estate.models import Organisation, Property
from fleet.estate.scope import Level
from fleet.heaters.record_reading import heaters_by_property
from fleet.pages.map_names import apart, marks_of
from fleet.pages.place_map import points_of

LEVEL_WORDS = {
    Level.SURVEY: "survey for an offer",
    Level.WORK: "work",
    Level.OUTLOOK: "work and outlook",
}


MOST_LISTED = 100  # rows of a client's properties, and of places with due work


@dataclass(frozen=True)
class ClientRow:
    client: Client
    properties: list[dict[str, Any]]
    heaters: int
    tasks: int
    late: int

    @property
    def shown(self) -> list[dict[str, Any]]:
        """All of few properties by name; of many those with most late and due, for nobody reads two thousand."""
        if len(self.properties) <= MOST_LISTED:
            return self.properties
        return sorted(self.properties, key=lambda row: (-row["late"], -row["tasks"]))[:MOST_LISTED]

    @property
    def more(self) -> int:
        return len(self.properties) - len(self.shown)


@dataclass(frozen=True)
class DuePlace:
    """The due work of one property: what a plain map of the work shows."""

    property: Any  # a plain row of it: there may be thousands
    client: str
    tasks: int
    late: int
    hours: float
    earliest: date


@dataclass(frozen=True)
class DueMap:
    """The due work where it lies. A property whose latitude or longitude is not known stands in the table alone."""

    spots: list[dict[str, Any]]
    labels: tuple[dict[str, Any], ...]
    unplaced: list[str]
    finding: str


def overview(company: Organisation) -> list[ClientRow]:
    """Each client with what it granted, and what is due there; a person sees only what she may."""
    seen = {row.pk: row for row in Property.objects.order_by().values_list("pk", "name", named=True)}
    heaters = heaters_by_property()
    due = {number: (row.tasks, row.late) for number, row in due_list(day_of(company)).by_property().items()}
    rows = []
    for client in clients_of(company):
        mine = [number for number in client.properties if number in seen]
        if not mine:
            continue
        properties = [
            {
                "property": seen[number],
                "level": LEVEL_WORDS[client.properties[number]],
                "until": client.until[number],
                "heaters": heaters.get(number, 0),
                "tasks": due.get(number, (0, 0))[0],
                "late": due.get(number, (0, 0))[1],
            }
            for number in sorted(mine, key=lambda number: seen[number].name)
        ]
        sums = [sum(row[name] for row in properties) for name in ("heaters", "tasks", "late")]
        rows.append(ClientRow(client, properties, *sums))
    return rows


def due_places(today: date, horizon_days: int) -> list[DuePlace]:
    names = ("pk", "name", "address", "latitude", "longitude", "organisation__name")
    places = {row.pk: row for row in Property.objects.order_by().values_list(*names, named=True)}
    rows = [
        DuePlace(
            places[number],
            places[number].organisation__name,
            one.tasks,
            one.late,
            round(one.minutes / 60, 1),
            one.earliest,
        )
        for number, one in due_list(today, horizon_days).by_property().items()
        if number in places
    ]
    return sorted(rows, key=lambda row: (row.earliest, row.property.pk))


def due_map(places: list[DuePlace], narrow: bool = False) -> DueMap:
    """One mark a property, sized by its due tasks; the busiest ones carry their names, as far as there is room."""
    known = [
        {"id": row.property.pk, "latitude": row.property.latitude, "longitude": row.property.longitude}
        for row in places
        if row.property.latitude is not None and row.property.longitude is not None
    ]
    points = points_of(known)
    placed = [row for row in places if row.property.pk in points]
    spots = [
        {
            "x": points[row.property.pk][0],
            "y": points[row.property.pk][1],
            "size": row.tasks,
            "when": "overdue work" if row.late else "nothing overdue",
        }
        for row in placed
    ]
    busiest = sorted(placed, key=lambda one: (-one.late, -one.tasks, one.property.pk))
    marks = marks_of(((*points[row.property.pk], row.tasks) for row in placed), narrow)
    own = {row.property.pk: mark for row, mark in zip(placed, marks, strict=True)}
    labels = apart(((row.property.name, [own[row.property.pk]]) for row in busiest), marks, narrow)
    late, where = sum(row.late for row in places), sum(row.late > 0 for row in places)
    count = f"{len(places)} propert{'y' if len(places) == 1 else 'ies'}"
    finding = f"{sum(row.tasks for row in places)} tasks due at {count}; {late} late, at {where}"
    return DueMap(
        spots, labels, [row.property.name for row in places if row.property.pk not in points], finding
    )
