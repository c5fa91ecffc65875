"""Where the buildings lie, what is due in each and how many failures to expect there.

A plain projection, no outside tiles: degrees become distances by the cosine of the middle latitude, which is close
enough over one owner's portfolio. A building has no place of its own on record; it stands beside its property's,
in rings, so that none hides another.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from django.db.models import Count, Sum

from fleet.care.due_list import due_list
from fleet.estate.models import Building, Property
from fleet.heaters.models import Heater
from fleet.heaters.record_reading import heaters_by_property
from fleet.pages.map_names import BREADTH, HEIGHT, Mark, apart, marks_of
from fleet.planning.models import ForecastRun, HeaterOutlook

STEP = 2.6  # from one building of a property to the next
MOST_MARKS = 400  # buildings on one picture; where there are more each property has one mark
MOST_PROPERTIES = 1500  # marks of properties, those with most at risk and overdue
MOST_LISTED = 200  # rows of the table
MOST_NAMED = 60  # of those without a place


@dataclass(frozen=True)
class Spot:
    """A building on the map: `x` from the left and `y` from the bottom, in hundredths of the picture's breadth."""

    building_id: int
    building: str
    property_id: int
    property: str
    x: float
    y: float
    heaters: int
    overdue: int
    due: int
    expected_failures: float | None

    def with_(self, other: Spot) -> Spot:
        """Both together, at the first one's place."""
        failing = [spot.expected_failures for spot in (self, other) if spot.expected_failures is not None]
        return replace(
            self,
            heaters=self.heaters + other.heaters,
            overdue=self.overdue + other.overdue,
            due=self.due + other.due,
            expected_failures=sum(failing) if failing else None,
        )


@dataclass(frozen=True)
class Map:
    spots: tuple[Spot, ...]
    unplaced: tuple[str, ...]
    by_building: bool = True

    @property
    def listed(self) -> tuple[Spot, ...]:
        """The rows of the table: all of a small portfolio, of a large one those with most at risk and overdue."""
        return self.spots if self.by_building else self.spots[:MOST_LISTED]

    @property
    def named(self) -> tuple[str, ...]:
        return self.unplaced[:MOST_NAMED]

    @property
    def unnamed(self) -> int:
        return len(self.unplaced) - len(self.named)

    @property
    def by_property(self) -> tuple[Spot, ...]:
        """One spot a property, where a small screen has no room for its buildings."""
        whole: dict[int, Spot] = {}
        for spot in self.spots:
            first = whole.get(spot.property_id)
            whole[spot.property_id] = spot if first is None else first.with_(spot)
        return tuple(whole.values())

    def drawn(self, narrow: bool = False) -> tuple[Spot, ...]:
        """The spots that have a mark: on a small screen one a property."""
        return self.by_property if narrow else self.spots

    def labels(self, narrow: bool = False) -> tuple[dict[str, Any], ...]:
        """The names of the properties with most at risk and overdue, as far as there is room."""
        spots = self.drawn(narrow)
        marks = marks_of(((spot.x, spot.y, spot.expected_failures or 0.0) for spot in spots), narrow)
        own: dict[int, list[Mark]] = {}
        for spot, mark in zip(spots, marks, strict=True):
            own.setdefault(spot.property_id, []).append(mark)
        worst = sorted(self.by_property, key=lambda spot: (-(spot.expected_failures or 0.0), -spot.overdue))
        return apart(((spot.property, own[spot.property_id]) for spot in worst), marks, narrow)

    @property
    def finding(self) -> str:
        """The map's title: what it shows, in one sentence."""
        known = [spot for spot in self.spots if spot.expected_failures is not None]
        if known:
            by_place: dict[str, float] = {}
            for spot in known:
                by_place[spot.property] = by_place.get(spot.property, 0.0) + (spot.expected_failures or 0.0)
            name = max(by_place, key=lambda place: by_place[place])
            return f"Most failures within 12 months are expected at {name}: {by_place[name]:.1f}"
        late, where = sum(spot.overdue for spot in self.spots), sum(spot.overdue > 0 for spot in self.spots)
        return f"{_count(late, 'task')} overdue in {_count(where, 'building')}"


def _count(number: int, thing: str) -> str:
    return f"{number:,} {thing}{'' if number == 1 else 's'}"


def of_portfolio(run: ForecastRun | None, today: date) -> Map:
    places = list(Property.objects.order_by("name").values("id", "name", "latitude", "longitude"))
    placed = [row for row in places if row["latitude"] is not None and row["longitude"] is not None]
    points = points_of(placed)
    names = {row["id"]: row["name"] for row in placed}
    unplaced = tuple(row["name"] for row in places if row["id"] not in points)
    if not placed:
        return Map((), unplaced)
    if (
        Building.objects.filter(property__latitude__isnull=False, property__longitude__isnull=False).count()
        > MOST_MARKS
    ):
        spots = _property_spots(names, points, run, today)
        return Map(tuple(spots), unplaced, by_building=False)
    return Map(tuple(_spots(names, points, run, today)), unplaced)


def points_of(rows: list[dict[str, Any]]) -> dict[int, tuple[float, float]]:
    """Each property's point, fitted into the picture with one measure for both directions."""
    if not rows:
        return {}
    middle = sum(row["latitude"] for row in rows) / len(rows)
    # The shortest way round: a portfolio on both sides of the 180th meridian stays together.
    first = rows[0]["longitude"]
    easts = [((row["longitude"] - first + 180) % 360 - 180) * math.cos(math.radians(middle)) for row in rows]
    norths = [row["latitude"] for row in rows]
    width, height = max(easts) - min(easts), max(norths) - min(norths)
    east, north = (max(easts) + min(easts)) / 2, (max(norths) + min(norths)) / 2
    measure = max(width / (BREADTH * 0.8), height / (HEIGHT * 0.8), 1e-9)
    return {
        row["id"]: (
            round(BREADTH / 2 + (x - east) / measure, 2),
            round(HEIGHT / 2 + (y - north) / measure, 2),
        )
        for row, x, y in zip(rows, easts, norths, strict=True)
    }


def _beside(number: int) -> tuple[float, float]:
    """The offset of a property's building: the first in the middle, then rings of six, twelve, eighteen."""
    ring, before = 0, 0
    while number > before + 6 * ring:
        before += 6 * ring
        ring += 1
    if ring == 0:
        return 0.0, 0.0
    angle = 2 * math.pi * (number - before - 1) / (6 * ring)
    return STEP * ring * math.cos(angle), STEP * ring * math.sin(angle)


def _failing(run: ForecastRun | None, place: str) -> dict[int, float]:
    """The failures that a forecast expects within 12 months, by building or by property."""
    if run is None:
        return {}
    rows = HeaterOutlook.objects.filter(run_id=run.pk).order_by().values_list(f"heater__position__{place}")
    return dict(rows.annotate(number=Sum("p_fail_12_months")))


def _property_spots(
    names: dict[int, str], points: dict[int, tuple[float, float]], run: ForecastRun | None, today: date
) -> list[Spot]:
    """One spot a property, those with most at risk and overdue first."""
    due, serving = due_list(today).by_property(), heaters_by_property()
    failing = _failing(run, "building__property_id")
    found = []
    for number, (x, y) in points.items():
        late, tasks = (due[number].late, due[number].tasks) if number in due else (0, 0)
        risk = failing.get(number) if run is not None else None
        found.append(
            Spot(0, "", number, names[number], x, y, serving.get(number, 0), late, tasks - late, risk)
        )
    found.sort(key=lambda spot: (-(spot.expected_failures or 0.0), -spot.overdue, spot.property_id))
    return found[:MOST_PROPERTIES]


def _spots(
    names: dict[int, str], points: dict[int, tuple[float, float]], run: ForecastRun | None, today: date
) -> list[Spot]:
    due = {row.building_id: row for row in due_list(today)[0:]}
    serving = dict(
        Heater.objects.filter(ending="")
        .order_by()
        .values_list("position__building_id")
        .annotate(number=Count("id"))
    )
    failing = _failing(run, "building_id")
    found: list[Spot] = []
    count: dict[int, int] = {}
    for row in Building.objects.filter(property_id__in=points).order_by("property_id", "name").values():
        number = count.get(row["property_id"], 0)
        count[row["property_id"]] = number + 1
        x, y = points[row["property_id"]]
        right, up = _beside(number)
        place = due.get(row["id"])
        found.append(
            Spot(
                row["id"],
                row["name"],
                row["property_id"],
                names[row["property_id"]],
                round(x + right, 2),
                round(y + up, 2),
                serving.get(row["id"], 0),
                place.late if place else 0,
                place.tasks - place.late if place else 0,
                failing.get(row["id"]) if run is not None else None,
            )
        )
    return found
