"""Dates as people write them, kept as exactly as they were known.

A heater 'put in around 2015' has no day, and inventing one would later look like knowledge. So a date here is a
pair of days, the earliest and the latest it can have been, with the precision it was given in.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Literal

Precision = Literal["day", "month", "year", "between", "unknown"]
DayMonthOrder = Literal["mdy", "dmy"]

UNKNOWN_WORDS = frozenset(
    {
        *(
            "",
            "?",
            "??",
            "???",
            "-",
            "--",
            "n/a",
            "na",
            "n.a.",
            "none",
            "null",
            "nil",
            "unk",
            "unk.",
            "unknown",
        ),
        *(
            "not known",
            "not sure",
            "tbd",
            "tba",
            "no date",
            "undated",
            "missing",
            "don't know",
            "dont know",
            "\u2014",
        ),
    }
)


class UnreadableValue(ValueError):
    """A value that cannot be read. `right` says what would have been readable."""

    def __init__(self, problem: str, right: str) -> None:
        super().__init__(problem)
        self.problem = problem
        self.right = right


class LeftOut(UnreadableValue):
    """A side remark that cannot be read: worth a warning and leaving out, not worth refusing the whole row."""


class AmbiguousDate(UnreadableValue):
    """3/4/15: the day and the month cannot be told apart until someone says which comes first."""


@dataclass(frozen=True, slots=True)
class ImpreciseDate:
    """The earliest and latest day something can have happened, and how exactly that was known.

    `from_age` marks a date worked out from an age ('12 yrs old'): it moves with the day it was read, so it is
    not compared, and the importer lets it confirm a recorded date but not nudge it.
    """

    earliest: date | None
    latest: date | None
    precision: Precision
    from_age: bool = field(default=False, compare=False)

    def __post_init__(self) -> None:
        if self.precision == "unknown":
            if self.earliest is not None or self.latest is not None:
                raise ValueError("An unknown date has neither an earliest nor a latest day.")
            return
        if self.earliest is None or self.latest is None:
            raise ValueError("A known date has both an earliest and a latest day.")
        if self.earliest > self.latest:
            raise ValueError(f"The earliest day {self.earliest} is after the latest day {self.latest}.")
        if self.precision == "day" and self.earliest != self.latest:
            raise ValueError("A date known to the day has one day.")

    @classmethod
    def day(cls, day: date) -> ImpreciseDate:
        return cls(day, day, "day")

    @classmethod
    def month(cls, year: int, month: int) -> ImpreciseDate:
        return cls(date(year, month, 1), last_of_month(year, month), "month")

    @classmethod
    def year(cls, year: int) -> ImpreciseDate:
        return cls(date(year, 1, 1), date(year, 12, 31), "year")

    @classmethod
    def between(cls, earliest: date, latest: date) -> ImpreciseDate:
        return cls(earliest, latest, "between")

    @property
    def is_known(self) -> bool:
        return self.precision != "unknown"

    def overlaps(self, other: ImpreciseDate) -> bool:
        """Whether both can be the same day."""
        if self.earliest is None or self.latest is None or other.earliest is None or other.latest is None:
            return False
        return self.earliest <= other.latest and other.earliest <= self.latest

    def __str__(self) -> str:
        """Written so that `date_reading.parse_date` reads it back as the same date."""
        if self.earliest is None or self.latest is None:
            return "unknown"
        if self.precision == "day":
            return self.earliest.isoformat()
        if self.precision == "month":
            return f"{self.earliest:%Y-%m}"
        if self.precision == "year":
            return f"{self.earliest.year:04d}"
        return f"{self.earliest.isoformat()} to {self.latest.isoformat()}"


UNKNOWN = ImpreciseDate(None, None, "unknown")


def bounds_problem(earliest: date | None, latest: date | None, precision: str, today: date) -> str:
    """What is wrong with a date kept as two bounds and a precision; empty when nothing is."""
    try:
        ImpreciseDate(earliest, latest, precision or "unknown")  # type: ignore[arg-type]
    except ValueError as error:
        return str(error)
    if earliest is not None and earliest > today:
        return f"{earliest} lies in the future; today is {today}."
    return ""


def last_of_month(year: int, month: int) -> date:
    return date(year + (month == 12), month % 12 + 1, 1) - timedelta(days=1)


def years_before(day: date, years: int) -> date:
    """The same day so many years earlier; 29 February becomes 28 February."""
    try:
        return day.replace(year=day.year - years)
    except ValueError:
        return day.replace(year=day.year - years, day=28)


def months_before(day: date, months: int) -> date:
    index = day.year * 12 + day.month - 1 - months
    year, month = index // 12, index % 12 + 1
    return date(year, month, min(day.day, last_of_month(year, month).day))


def from_age(years: float, as_of: date, about: bool = False) -> ImpreciseDate:
    """The install date of something so many years old on `as_of`.

    People give whole years completed or rounded, so '12 yrs old' was put in 11 1/2 to 13 years ago; a fraction is
    good to a quarter of a year. 'About' adds a year on each side.
    """
    if not 0 <= years <= 120:
        raise UnreadableValue(f"an age of {years:g} years cannot be", "an age from 0 to 120 years")
    if float(years).is_integer():
        newest, oldest = max(0, int(years) * 12 - 6), int(years) * 12 + 12
    else:
        middle = round(years * 12)
        newest, oldest = max(0, middle - 3), middle + 3
    if about:
        newest, oldest = max(0, newest - 12), oldest + 12
    earliest = months_before(as_of, oldest) + timedelta(days=1)
    return ImpreciseDate(min(earliest, as_of), months_before(as_of, newest), "between", from_age=True)
