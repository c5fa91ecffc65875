"""Reading habits: units and days as the reader is used to them.

The record keeps one unit per fact, in its field's name; only what is shown changes. A converted value is rounded to
what the first one was worth, so that 50 gal reads 189 L and not 189.27 L. Factors: exact by definition, NIST Special
Publication 811 (2008), appendix B.8 (US gallon 3.785 411 784 L, inch 2.54 cm, degree Fahrenheit) and, rounded there
to seven figures, psi 6.894 757 kPa and Btu (International Table) an hour 0.293 0711 W.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import date

from django.http import HttpRequest, HttpResponse

from fleet.pages.models import ReadingHabit

LITRES_A_GALLON = 3.785411784
CENTIMETRES_AN_INCH = 2.54
KILOPASCALS_A_PSI = 6.894757
WATTS_A_BTU_H = 0.2930711
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


def habit_of(person_id: int | None) -> Habit:
    row = ReadingHabit.objects.filter(person_id=person_id).first() if person_id else None
    if row is None:
        return Habit()
    return Habit(row.units == ReadingHabit.Units.METRIC, row.days, row.colours, row.strong_contrast, row.keys)


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


def _celsius(value: float) -> float:
    return (value - 32) / 1.8


# unit as the record has it: (unit as a metric reader has it, conversion, digits after the point)
METRIC: dict[str, tuple[str, Callable[[float], float], int]] = {
    "gal": ("L", lambda value: value * LITRES_A_GALLON, 0),
    "US gal": ("L", lambda value: value * LITRES_A_GALLON, 0),
    "gal/day": ("L/day", lambda value: value * LITRES_A_GALLON, 0),
    "gpm": ("L/min", lambda value: value * LITRES_A_GALLON, 1),
    "°F": ("°C", _celsius, 0),
    "psi": ("kPa", lambda value: value * KILOPASCALS_A_PSI, 0),
    "psig": ("kPa", lambda value: value * KILOPASCALS_A_PSI, 0),
    "in": ("cm", lambda value: value * CENTIMETRES_AN_INCH, 0),
    "Btu/h": ("kW", lambda value: value * WATTS_A_BTU_H / 1000, 1),
}
_NUMBER = r"(?<![\w.,-])(-?\d{1,3}(?:,\d{3})+|-?\d+(?:\.\d+)?)"
_RANGE = rf"{_NUMBER}(?:( to | or | and |–){_NUMBER})?"
_UNITS = "|".join(sorted((re.escape(unit) for unit in METRIC), key=len, reverse=True))
# 'in' alone is also a word: only straight after a number and not before another word.
_WITH_UNIT = re.compile(rf"{_RANGE}([ \u00a0])({_UNITS})(?![\w/])(?! (?:the|a|an|each|every|all|any|\d))")


def measured(value: float, unit: str) -> tuple[float, str]:
    """A value and its unit, in the reader's units."""
    if unit not in METRIC:
        return value, unit
    if not habit().metric:
        return round(value, 1) + 0.0, unit
    there, convert, digits = METRIC[unit]
    return round(convert(value), digits) + 0.0, there


def _shown(text: str, unit: str) -> str:
    _, convert, digits = METRIC[unit]
    return f"{round(convert(float(text.replace(',', ''))), digits) + 0.0:,.{digits}f}"


def in_my_units(text: str) -> str:
    """A sentence with its measures in the reader's units; anything that is not a number with a known unit stays."""
    if not habit().metric:
        return text

    def converted(match: re.Match[str]) -> str:
        first, joint, second, space, unit = match.groups()
        end = f"{joint}{_shown(second, unit)}" if second else ""
        return f"{_shown(first, unit)}{end}{space}{METRIC[unit][0]}"

    return _WITH_UNIT.sub(converted, text)


def a_day(day: date) -> str:
    style = habit().days
    if style == ReadingHabit.Days.ISO:
        return day.isoformat()
    if style == ReadingHabit.Days.US:
        return f"{day:%m/%d/%Y}"
    return f"{day.day} {day:%b %Y}"
