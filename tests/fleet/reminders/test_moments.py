"""Due moments over every time zone of the database and both changes of its clocks."""

from __future__ import annotations

import zoneinfo
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.reminders.moments import Wish, after_quiet, instant, is_quiet, moment_of, next_digest

ZONES = sorted(zoneinfo.available_timezones() - {"localtime"})
HOURS = st.integers(0, 23)
DAYS = st.dates(date(2024, 1, 1), date(2028, 12, 31))
wishes = st.builds(
    Wish,
    rhythm=st.sampled_from(["daily", "weekly", "monthly"]),
    hour=HOURS,
    weekday=st.integers(0, 6),
    budget_day=st.integers(1, 28),
    quiet_from=HOURS,
    quiet_until=HOURS,
    zone=st.sampled_from(ZONES),
)


def changes_of(zone: zoneinfo.ZoneInfo, year: int) -> list[date]:
    """The days of a year on which the zone's clocks change."""
    days = [date(year, 1, 1) + timedelta(days=number) for number in range(366)]
    offsets = [datetime(day.year, day.month, day.day, tzinfo=zone).utcoffset() for day in days]
    return [day for day, before, after in zip(days, offsets, offsets[1:], strict=False) if before != after]


@pytest.mark.parametrize("part", range(8))
def test_every_hour_of_every_change_day_of_every_zone_is_the_hour_on_the_wall(part: int) -> None:
    """Or, where the clocks leave that hour out, as much later as they jump."""
    for name in ZONES[part::8]:
        zone = zoneinfo.ZoneInfo(name)
        for day in changes_of(zone, 2026):
            for hour in range(24):
                local = instant(day, hour, zone).astimezone(zone)
                wanted = datetime(day.year, day.month, day.day, hour)
                off = local.replace(tzinfo=None) - wanted
                exists = (
                    datetime(day.year, day.month, day.day, hour, tzinfo=zone).astimezone(UTC).astimezone(zone)
                )
                assert timedelta(0) <= off <= timedelta(hours=2), (name, day, hour)
                assert off == timedelta(0) or (exists.hour, exists.minute) != (hour, 0), (name, day, hour)


def test_published_changes_of_new_york_2026() -> None:
    """US clocks change on 8 March and 1 November 2026 at 2:00 (Energy Policy Act of 2005, 15 U.S.C. 260a)."""
    zone = zoneinfo.ZoneInfo("America/New_York")
    assert instant(date(2026, 3, 7), 7, zone) == datetime(2026, 3, 7, 12, tzinfo=UTC)
    assert instant(date(2026, 3, 8), 7, zone) == datetime(2026, 3, 8, 11, tzinfo=UTC)
    assert instant(date(2026, 3, 8), 2, zone) == datetime(2026, 3, 8, 7, tzinfo=UTC)  # left out: 3:00
    assert instant(date(2026, 11, 1), 1, zone) == datetime(2026, 11, 1, 5, tzinfo=UTC)  # twice: the first
    assert instant(date(2026, 11, 2), 7, zone) == datetime(2026, 11, 2, 12, tzinfo=UTC)


@given(
    st.datetimes(datetime(2024, 1, 1), datetime(2028, 12, 31), timezones=st.just(UTC)),
    HOURS,
    HOURS,
    st.sampled_from(ZONES),
)
@settings(max_examples=400, deadline=None)
def test_a_moment_pushed_out_of_quiet_hours_is_not_quiet_nor_early_nor_a_day_late(
    moment: datetime, quiet_from: int, quiet_until: int, name: str
) -> None:
    zone = zoneinfo.ZoneInfo(name)
    later = after_quiet(moment, quiet_from, quiet_until, zone)
    assert later >= moment
    assert later - moment <= timedelta(hours=25)
    assert not is_quiet(later, quiet_from, quiet_until, zone)
    assert after_quiet(later, quiet_from, quiet_until, zone) == later


@pytest.mark.parametrize("part", range(8))
def test_quiet_hours_hold_around_every_change_of_every_zone(part: int) -> None:
    for name in ZONES[part::8]:
        zone = zoneinfo.ZoneInfo(name)
        for day in changes_of(zone, 2026):
            start = datetime(day.year, day.month, day.day, tzinfo=UTC) - timedelta(hours=14)
            for half_hours in range(0, 100, 3):
                moment = start + timedelta(minutes=30 * half_hours)
                later = after_quiet(moment, 21, 6, zone)
                assert moment <= later <= moment + timedelta(hours=11), (name, moment)  # Troll: two hours
                assert not is_quiet(later, 21, 6, zone), (name, moment)


@given(st.lists(wishes, min_size=1, max_size=4), DAYS)
@settings(max_examples=100, deadline=None)
def test_digests_follow_each_other_by_days_and_moments_and_never_two_on_one_day(
    several: list[Wish], start: date
) -> None:
    now = datetime(start.year, start.month, start.day, 12, tzinfo=UTC)
    day, seen = None, []
    for _ in range(5):
        found = next_digest(several, day, now)
        assert found is not None
        day, moment = found
        assert moment > now
        assert any(wish.falls_on(day) for wish in several)
        assert moment == min(moment_of(wish, day) for wish in several if wish.falls_on(day))
        seen.append(day)
        now = moment
    assert seen == sorted(set(seen))


@given(wishes.filter(lambda wish: wish.rhythm == "daily"), DAYS)
@settings(max_examples=60, deadline=None)
def test_a_daily_digest_leaves_no_day_out_whatever_the_clocks_do(wish: Wish, start: date) -> None:
    now = datetime(start.year, start.month, start.day, 12, tzinfo=UTC)
    day, _ = next_digest([wish], None, now) or (start, now)
    for _ in range(10):
        found = next_digest([wish], day, moment_of(wish, day))
        assert found is not None
        assert found[0] == day + timedelta(days=1)
        day = found[0]


def test_nobody_with_no_rhythm_has_a_next_digest() -> None:
    wish = Wish("none", 7, 0, 1, 0, 0, "UTC")
    assert next_digest([wish], None, datetime(2026, 3, 1, tzinfo=UTC)) is None


def test_the_monthly_digest_comes_a_week_before_the_budget_date() -> None:
    wish = Wish("monthly", 7, 0, 5, 0, 0, "UTC")
    found = next_digest([wish], None, datetime(2026, 2, 10, tzinfo=UTC))
    assert found == (date(2026, 2, 26), datetime(2026, 2, 26, 7, tzinfo=UTC))
