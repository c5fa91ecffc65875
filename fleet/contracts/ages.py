"""Ages and anniversaries, as this room counts them."""

from __future__ import annotations

from datetime import date

from fleet.heaters.models import Heater

DAYS_IN_YEAR = 365.2425


def anniversary(start: date, years: int) -> date:
    try:
        return start.replace(year=start.year + years)
    except ValueError:  # 29 February
        return start.replace(year=start.year + years, month=3, day=1)


def age_of(heater: Heater, day: date) -> float | None:
    """Years since the middle of what is known of its installation; None where nothing is."""
    known = [one for one in (heater.installed_earliest, heater.installed_latest) if one is not None]
    if not known:
        return None
    middle = known[0] + (known[-1] - known[0]) / 2
    return max(0.0, (day - middle).days / DAYS_IN_YEAR)
