"""Reading habits: units and days as the reader is used to them.

The record keeps one unit per fact, in its field's name; only what is shown changes. A converted value is rounded to
what the first one was worth, so that 50 gal reads 189 L and not 189.27 L. Factors: exact by definition, NIST Special
Publication 811 (2008), appendix B.8 (US gallon 3.785 411 784 L, inch 2.54 cm, degree Fahrenheit) and, rounded there
to seven figures, psi 6.894 757 kPa, Btu (International Table) an hour 0.293 0711 W, US quart 0.946 352 9 L, cubic foot
0.028 316 85 m3 and inch of water, conventional, 249.088 9 Pa. A grain an US gallon is 17.118 mg/L: 64.798 91 mg (same
place) in 3.785 411 784 L.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import date

from django.http import HttpRequest, HttpResponse

from fleet.pages.models import ReadingHabit

LITRES_A_GALLON = 3.785411784
CENTIMETRES_AN_INCH = 2.54
KILOPASCALS_A_PSI = 6.894757
WATTS_A_BTU_H = 0.2930711
PASCALS_AN_INCH_OF_WATER = 249.0889
MG_L_A_GRAIN = 64.79891 / LITRES_A_GALLON
LITRES_A_CUBIC_FOOT = 28.316846592


@dataclass(frozen=True)
class Habit:
    metric: bool = False
    days: str = "words"
    colours: str = "system"
    strong_contrast: bool = False
    keys: bool = True


_chosen: ContextVar[Callable[[], Habit] | None] = ContextVar("reading_habit", default=None)


def habit() -> Habit:
    """The reader's habit; outside a request, the program's own: US customary, days in words."""
    ask = _chosen.get()
    return ask() if ask else Habit()


@contextmanager
def reading_as(chosen: Habit) -> Iterator[None]:
    token = _chosen.set(lambda: chosen)
    try:
        yield
    finally:
        _chosen.reset(token)


def habits_of(person_ids: Collection[int]) -> dict[int, Habit]:
    """Of those who chose any."""
    metric = ReadingHabit.Units.METRIC
    return {
        row.person_id: Habit(row.units == metric, row.days, row.colours, row.strong_contrast, row.keys)
        for row in ReadingHabit.objects.filter(person_id__in=person_ids)
    }


def habit_of(person_id: int | None) -> Habit:
    return habits_of([person_id]).get(person_id, Habit()) if person_id else Habit()


class ReadingMiddleware:
    """Looks the habit up at most once a request, and only when a page asks for it."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        known: list[Habit] = []

        def ask() -> Habit:
            if not known:
                known.append(habit_of(request.user.pk if request.user.is_authenticated else None))
            return known[0]

        token = _chosen.set(ask)
        try:
            return self.get_response(request)
        finally:
            _chosen.reset(token)


@dataclass(frozen=True)
class Metric:
    """A unit of the record as a metric reader has it, and back. `digits` after the point are shown."""

    unit: str
    factor: float
    digits: int
    zero: float = 0.0  # what the record has where the metric scale begins

    def shown(self, value: float) -> float:
        return (value - self.zero) * self.factor

    def kept(self, value: float) -> float:
        return value / self.factor + self.zero

    @property
    def blur(self) -> float:
        """Half of the last digit shown, in the record's unit: two values nearer than this read alike."""
        return 0.5 * 10**-self.digits / self.factor


_LITRES = Metric("L", LITRES_A_GALLON, 0)
_CELSIUS = Metric("\u00b0C", 1 / 1.8, 0, zero=32.0)
_KILOPASCALS = Metric("kPa", KILOPASCALS_A_PSI, 0)
_CUBIC_METRES = Metric("m\u00b3", LITRES_A_CUBIC_FOOT / 1000, 1)
METRIC: dict[str, Metric] = {
    "gal": _LITRES,
    "US gal": _LITRES,
    "qt": Metric("L", LITRES_A_GALLON / 4, 1),
    "gal/day": Metric("L/day", LITRES_A_GALLON, 0),
    "gpm": Metric("L/min", LITRES_A_GALLON, 1),
    "gal/min": Metric("L/min", LITRES_A_GALLON, 1),
    "\u00b0F": _CELSIUS,
    "F": _CELSIUS,
    "psi": _KILOPASCALS,
    "psig": _KILOPASCALS,
    "in wc": Metric("Pa", PASCALS_AN_INCH_OF_WATER, 1),
    "in": Metric("cm", CENTIMETRES_AN_INCH, 0),
    "ft\u00b3": _CUBIC_METRES,
    "cu ft": _CUBIC_METRES,
    "Btu/h": Metric("kW", WATTS_A_BTU_H / 1000, 1),
}
# What the record keeps in metric units although its readers may not: unit -> (their unit, as above the other way round).
CUSTOMARY: dict[str, Metric] = {"\u00b0C": Metric("\u00b0F", 1.8, 0, zero=-32 / 1.8)}
_NUMBER = r"(?<![\w.,-])(-?\d{1,3}(?:,\d{3})+|-?\d+(?:\.\d+)?)"
_RANGE = rf"{_NUMBER}(?:( to under | to | or | and |–){_NUMBER})?"
_UNITS = "|".join(sorted((re.escape(unit) for unit in METRIC), key=len, reverse=True))
# 'in' alone is also a word: only straight after a number and not before another word.
_BY_DEGREES = re.compile(r"\bby (\d+(?:\.\d+)?)[ \u00a0]°F")
_DIGIT = re.compile(r"\d")
_WITH_UNIT = re.compile(rf"{_RANGE}([ \u00a0])({_UNITS})(?![\w/])(?! (?:the|a|an|each|every|all|any|\d))")


def scale(unit: str) -> Metric | None:
    """How this reader has a unit of the record; None where she has it as it is kept."""
    return (METRIC if habit().metric else CUSTOMARY).get(unit)


def measured(value: float, unit: str) -> tuple[float, str]:
    """A value and its unit, in the reader's units."""
    there = scale(unit)
    if there is None:
        return (round(value, 1) + 0.0 if unit in METRIC else value), unit
    return round(there.shown(value), there.digits) + 0.0, there.unit


def _shown(text: str, unit: str) -> str:
    there = METRIC[unit]
    return f"{round(there.shown(float(text.replace(',', ''))), there.digits) + 0.0:,.{there.digits}f}"


def in_my_units(text: str) -> str:
    """A sentence with its measures in the reader's units; anything that is not a number with a known unit stays."""
    # What holds no number needs no habit looked up: most of what a phone is answered.
    if not _DIGIT.search(text) or not habit().metric:
        return text

    def converted(match: re.Match[str]) -> str:
        first, joint, second, space, unit = match.groups()
        end = f"{joint}{_shown(second, unit)}" if second else ""
        return f"{_shown(first, unit)}{end}{space}{METRIC[unit].unit}"

    return _WITH_UNIT.sub(converted, _BY_DEGREES.sub(_fewer_degrees, text))


def _fewer_degrees(match: re.Match[str]) -> str:
    """A difference of temperatures has no freezing point to start from."""
    return f"by {float(match[1]) / 1.8:.0f} °C"


_DAY = re.compile(r"(?<![\w/-])\d{4}-\d\d-\d\d(?![\w/-])")


def in_my_days(text: str) -> str:
    """A sentence that was kept, with its days as the reader writes them; what looks like a day and is none stays."""

    def shown(match: re.Match[str]) -> str:
        with suppress(ValueError):
            return a_day(date.fromisoformat(match.group()))
        return match.group()

    return _DAY.sub(shown, text)


def a_day(day: date) -> str:
    style = habit().days
    if style == ReadingHabit.Days.ISO:
        return day.isoformat()
    if style == ReadingHabit.Days.US:
        return f"{day:%m/%d/%Y}"
    return f"{day.day} {day:%b %Y}"
