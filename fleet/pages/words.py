"""Numbers, dates and ages as people read them: with their unit, and never more exact than they are known."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from fleet.pages import reading

DAYS_IN_YEAR = 365.2425
NOT_KNOWN = "not known"


def a_day(day: date) -> str:
    return reading.a_day(day)


def a_date(earliest: date | None, latest: date | None, precision: str = "") -> str:
    """'3 May 2016', 'May 2016', '2016', '1 Mar 2014 to 31 May 2014' or 'not known'."""
    if earliest is None and latest is None:
        return NOT_KNOWN
    if earliest is None or latest is None:
        return f"by {a_day(latest)}" if latest else f"after {a_day(earliest)}"  # type: ignore[arg-type]
    if earliest == latest:
        return a_day(earliest)
    if precision == "year":
        return f"{earliest.year}"
    if precision == "month":
        return f"{earliest:%b %Y}"
    return f"{a_day(earliest)} to {a_day(latest)}"


def age_years(earliest: date | None, latest: date | None, today: date) -> tuple[float, float] | None:
    """The least and the greatest age on a day; None where nothing is known."""
    if earliest is None and latest is None:
        return None
    youngest, oldest = latest or earliest, earliest or latest
    assert youngest is not None
    assert oldest is not None
    return max(0.0, (today - youngest).days / DAYS_IN_YEAR), max(0.0, (today - oldest).days / DAYS_IN_YEAR)


def an_age(earliest: date | None, latest: date | None, today: date) -> str:
    ages = age_years(earliest, latest, today)
    if ages is None:
        return NOT_KNOWN
    least, greatest = ages
    if greatest - least < 0.15:
        return f"{greatest:.1f} years"
    return f"{least:.1f} to {greatest:.1f} years"


def how_many(count: int, one: str, many: str = "") -> str:
    """'1 heater', '2,000 heaters', '3 properties'."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def how_long(minutes: int) -> str:
    """'45 minutes', '1 hour', '2 hours 40 minutes'; from ten hours on whole hours: '170 hours'."""
    if minutes >= 600:
        return how_many(round(minutes / 60), "hour")
    hours, rest = divmod(minutes, 60)
    parts = [how_many(hours, "hour")] if hours else []
    return " ".join([*parts, *([how_many(rest, "minute")] if rest or not hours else [])])


def a_wait(minutes: int) -> str:
    """A time that passes by day and night: '30 minutes', '1 day 6 hours'."""
    days, rest = divmod(minutes, 24 * 60)
    return " ".join(
        [*([how_many(days, "day")] if days else []), *([how_long(rest)] if rest or not days else [])]
    )


def money(amount: Decimal | float | None, currency: str = "USD") -> str:
    """Whole units with thousands apart: USD 12,400."""
    return NOT_KNOWN if amount is None else f"{currency} {Decimal(str(amount)):,.0f}"


def percent(fraction: float | None) -> str:
    if fraction is None:
        return NOT_KNOWN
    if 0 < fraction < 0.005:
        return "under 1 %"
    if 0.995 < fraction < 1:
        return "over 99 %"
    return f"{100 * fraction:.0f} %"


def yes_no(value: bool | None) -> str:
    return NOT_KNOWN if value is None else ("yes" if value else "no")


def a_number(value: Any, unit: str = "") -> str:
    if value is None or value == "":
        return NOT_KNOWN
    if isinstance(value, int | float) and not isinstance(value, bool):
        value, unit = reading.measured(value, unit)
    shown = (
        f"{value:,.6g}"
        if isinstance(value, float)
        else f"{value:,}"
        if isinstance(value, int)
        else str(value)
    )
    return f"{shown} {unit}".strip()


def chance(fraction: float) -> str:
    """A chance counted over played futures: that none of them had it does not make it impossible, nor all certain."""
    return percent(min(max(fraction, 1e-9), 1 - 1e-9))
