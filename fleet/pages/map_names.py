"""Where the names on a map are written: beside their own marks, on no other name and on no mark.

All lengths are in the map's own measure, hundredths of the picture's breadth.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

BREADTH, HEIGHT = 100.0, 60.0
# Of the picture on a desk and on a phone: its breadth in pixels, the least and the greatest area of a mark in square
# pixels, a letter's breadth, a line's height, and how many names are read at a glance.
PIXELS, AREAS = {False: 1000, True: 300}, {False: (60, 1100), True: (30, 300)}
LETTER, LINE, NAMES = {False: 0.87, True: 2.1}, {False: 2.8, True: 5.0}, {False: 60, True: 5}
# How high the letters of a name and of the key are, in pixels.
NAME_PIXELS, KEY_PIXELS = {False: 15, True: 11}, {False: 18, True: 13}
GAP = 0.3  # between a name and its marks
TRIED = 5  # for each name that there is room for
CELL = 5.0
# Beside its marks: above, below, right, left, then aside of these, then at the corners.
STRAIGHT = ((0, 1), (0, -1), (1, 0), (-1, 0))
ASIDE = ((0.5, 1), (-0.5, 1), (0.5, -1), (-0.5, -1), (1, 0.5), (1, -0.5), (-1, 0.5), (-1, -0.5))
CORNERS = ((1, 1), (-1, 1), (1, -1), (-1, -1))


@dataclass(frozen=True)
class Mark:
    x: float
    y: float
    radius: float


def marks_of(spots: Iterable[tuple[float, float, float]], narrow: bool = False) -> list[Mark]:
    """What is drawn of places with these sizes: x, y, size."""
    rows = list(spots)
    most = max((size for _, _, size in rows), default=0.0) or 1.0
    least, greatest = AREAS[narrow]
    scale = BREADTH / PIXELS[narrow] / 2
    return [Mark(x, y, scale * math.sqrt(least + (greatest - least) * size / most)) for x, y, size in rows]


def apart(
    names: Iterable[tuple[str, Sequence[Mark]]], marks: Iterable[Mark], narrow: bool = False
) -> tuple[dict[str, Any], ...]:
    """The names that have a clear place beside their own marks, the first ones first; the table has them all.

    The very first is written whatever lies there: it is the one that the map's title speaks of.
    """
    letter, line, most = LETTER[narrow], LINE[narrow], NAMES[narrow]
    drawn = _Field(marks)
    kept: list[tuple[str, float, float]] = []

    def on_a_name(name: str, x: float, y: float) -> bool:
        return any(
            abs(y - above) < line and abs(x - beside) < letter * (len(name) + len(other) + 1) / 2
            for other, beside, above in kept
        )

    for number, (name, own) in enumerate(names):
        if len(kept) == most or number == TRIED * most:
            break
        half, tall = min(letter * len(name), BREADTH) / 2, line / 2
        free = [place for place in _beside(own, half, tall) if not on_a_name(name, *place)]
        clear = (place for place in free if not drawn.touches(*place, half, tall))
        place = next(clear, free[0] if free and not kept else None)
        if place is not None:
            kept.append((name, *place))
    return tuple({"label": name, "x": x, "y": y} for name, x, y in kept)


def _beside(own: Sequence[Mark], half: float, tall: float) -> list[tuple[float, float]]:
    """The middles of a name beside its marks; at the picture's edge it is drawn inwards, not cut."""
    left, right = min(one.x - one.radius for one in own), max(one.x + one.radius for one in own)
    low, high = min(one.y - one.radius for one in own), max(one.y + one.radius for one in own)
    places = (
        (
            (left + right) / 2 + across * ((right - left) / 2 + half + GAP),
            (low + high) / 2 + up * ((high - low) / 2 + tall + GAP),
        )
        for across, up in STRAIGHT + ASIDE + CORNERS
    )
    return [(min(max(x, half), BREADTH - half), y) for x, y in places if tall <= y <= HEIGHT - tall]


class _Field:
    """Marks by the square in which they lie, so that few are looked at for each name."""

    def __init__(self, marks: Iterable[Mark]) -> None:
        self.squares: dict[tuple[int, int], list[Mark]] = defaultdict(list)
        self.reach = 0.0
        for one in marks:
            self.squares[int(one.x // CELL), int(one.y // CELL)].append(one)
            self.reach = max(self.reach, one.radius)

    def touches(self, x: float, y: float, half: float, tall: float) -> bool:
        """Whether a mark lies under a name of this middle, half breadth and half height."""
        across = range(int((x - half - self.reach) // CELL), int((x + half + self.reach) // CELL) + 1)
        up = range(int((y - tall - self.reach) // CELL), int((y + tall + self.reach) // CELL) + 1)
        return any(
            abs(one.x - x) < half + one.radius and abs(one.y - y) < tall + one.radius
            for column in across
            for row in up
            for one in self.squares.get((column, row), ())
        )
