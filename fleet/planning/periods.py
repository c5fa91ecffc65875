"""Fiscal years: where each begins and ends, and the finer cells from which several kinds of year are summed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

DAYS_IN_YEAR = 365.25


@dataclass(frozen=True)
class FiscalYear:
    """From `start` up to but not including `end`; the first one may be only the rest of a year."""

    label: str
    start: date
    end: date
    whole: bool

    @property
    def last_day(self) -> date:
        return self.end - timedelta(days=1)


def fiscal_years(as_of: date, start_month: int, horizon_years: int) -> tuple[FiscalYear, ...]:
    """The rest of the running fiscal year, when `as_of` is not its first day, and then `horizon_years` whole ones.

    A fiscal year is named by the calendar year in which it ends, as budgets are (common practice, no source):
    with a start in July, FY 2027 runs from 1 July 2026 to 30 June 2027; with a start in January it is 2027.
    """
    if horizon_years < 1:
        raise ValueError(f"A plan over {horizon_years} years holds no year: give at least 1.")
    if not 1 <= start_month <= 12:
        raise ValueError(f"A fiscal year starts in a month from 1 to 12, not {start_month}.")
    start = date(as_of.year - (as_of.month < start_month), start_month, 1)
    years: list[FiscalYear] = []
    if start < as_of:
        following = start.replace(year=start.year + 1)
        years.append(FiscalYear(f"rest of {_name(start)}", as_of, following, whole=False))
        start = following
    for _ in range(horizon_years):
        following = start.replace(year=start.year + 1)
        years.append(FiscalYear(_name(start), start, following, whole=True))
        start = following
    return tuple(years)


def _name(start: date) -> str:
    return f"FY {start.year if start.month == 1 else start.year + 1}"


def most_common_month(months: Iterable[int]) -> int:
    """The fiscal start of the portfolio: the one most properties share, the earlier month on a tie."""
    counts = Counter(months)
    return min(counts, key=lambda month: (-counts[month], month)) if counts else 1


@dataclass(frozen=True)
class Cells:
    """Stretches of time fine enough that every fiscal year in use is a sum of whole cells."""

    edges: tuple[date, ...]

    def edges_years(self) -> list[float]:
        """Edges as years from the first one."""
        return [(edge - self.edges[0]).days / DAYS_IN_YEAR for edge in self.edges]

    def of(self, year: FiscalYear) -> list[int]:
        """The cells that make up this fiscal year."""
        return [
            index
            for index, (start, end) in enumerate(zip(self.edges, self.edges[1:], strict=False))
            if year.start <= start and end <= year.end
        ]


def cells_of(calendars: Sequence[Sequence[FiscalYear]]) -> Cells:
    edges = {edge for years in calendars for year in years for edge in (year.start, year.end)}
    return Cells(tuple(sorted(edges)))
