"""When a reminder is due: a day and an hour of a property's own clock, as an instant. Pure.

Wall-clock hours that a daylight-saving change leaves out fall as much later as the clock jumps; hours that come
twice mean the first. Quiet hours push a moment to their end.
"""

from __future__ import annotations

import zoneinfo
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

BUDGET_LEAD_DAYS = 7  # how long before the budget date the monthly digest comes: judgement, no source
LOOK_AHEAD_DAYS = 70  # more than two months: every rhythm falls on a day of it


@dataclass(frozen=True)
class Wish:
    """How one person wants to hear of one property: the part that decides when."""

    rhythm: str  # none, daily, weekly, monthly
    hour: int
    weekday: int
    budget_day: int
    quiet_from: int
    quiet_until: int
    zone: str

    def falls_on(self, day: date) -> bool:
        if self.rhythm == "daily":
            return True
        if self.rhythm == "weekly":
            return day.weekday() == self.weekday
        if self.rhythm == "monthly":
            return (day + timedelta(days=BUDGET_LEAD_DAYS)).day == self.budget_day
        return False


def instant(day: date, hour: int, zone: zoneinfo.ZoneInfo) -> datetime:
    """The instant at which clocks of a zone show this hour of this day."""
    return datetime.combine(day, time(hour), tzinfo=zone).astimezone(UTC)


def is_quiet(moment: datetime, quiet_from: int, quiet_until: int, zone: zoneinfo.ZoneInfo) -> bool:
    """Whether a moment lies in the quiet hours; from = until means none."""
    hour = moment.astimezone(zone).hour
    if quiet_from < quiet_until:
        return quiet_from <= hour < quiet_until
    return quiet_from > quiet_until and (hour >= quiet_from or hour < quiet_until)


def after_quiet(moment: datetime, quiet_from: int, quiet_until: int, zone: zoneinfo.ZoneInfo) -> datetime:
    """The moment itself, or the end of the quiet hours that it falls into."""
    for _ in range(4):  # a change of the clocks can put the end into quiet hours again, a few times at most
        if not is_quiet(moment, quiet_from, quiet_until, zone):
            return moment
        local = moment.astimezone(zone)
        day = local.date() + timedelta(days=local.hour >= quiet_until)
        moment = max(instant(day, quiet_until, zone), moment + timedelta(minutes=1))
    return moment


def moment_of(wish: Wish, day: date) -> datetime:
    zone = zoneinfo.ZoneInfo(wish.zone)
    return after_quiet(instant(day, wish.hour, zone), wish.quiet_from, wish.quiet_until, zone)


def next_digest(
    wishes: Iterable[Wish], after_day: date | None, now: datetime
) -> tuple[date, datetime] | None:
    """The next day with a digest and the instant it goes out: one a day, at the earliest of that day's wishes.

    Days that were missed (the program stood still) are not made up for one by one: the next one is later than
    `now`, and on a later day than `after_day`.
    """
    distinct = {wish for wish in wishes if wish.rhythm != "none"}
    start = now.date() - timedelta(days=1)  # where clocks are ahead or behind, the day may be another
    if after_day is not None:
        start = max(start, after_day + timedelta(days=1))
    for ahead in range(LOOK_AHEAD_DAYS):
        day = start + timedelta(days=ahead)
        moments = [moment_of(wish, day) for wish in distinct if wish.falls_on(day)]
        if moments and (first := min(moments)) > now:
            return day, first
    return None
