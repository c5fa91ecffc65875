"""Days are the property's own: time zones, the hours that daylight saving skips and repeats, leap days."""

from __future__ import annotations

import itertools
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleet.care import services
from fleet.care.models import CareStart, Task
from fleet.heaters.models import ServiceRecord
from tests.conftest import Cast, make_heater

ZONES = ("America/Denver", "America/Phoenix", "Pacific/Auckland", "Asia/Kathmandu", "Pacific/Honolulu", "UTC")

# Moments around the changes of 2026: second Sunday in March and first in November, 02:00 local (15 U.S.C. 260a);
# Arizona keeps standard time (15 U.S.C. 260a(a), its exemption). Denver is UTC-7, in summer UTC-6.
CHANGES = [
    ("America/Denver", "2026-03-08T06:59:59Z", date(2026, 3, 7)),
    ("America/Denver", "2026-03-08T07:00:00Z", date(2026, 3, 8)),
    ("America/Denver", "2026-03-08T08:30:00Z", date(2026, 3, 8)),  # 01:30, before the skipped hour
    ("America/Denver", "2026-03-09T05:59:59Z", date(2026, 3, 8)),  # the day has 23 hours
    ("America/Denver", "2026-03-09T06:00:00Z", date(2026, 3, 9)),
    ("America/Denver", "2026-11-01T05:59:59Z", date(2026, 10, 31)),
    ("America/Denver", "2026-11-01T06:00:00Z", date(2026, 11, 1)),
    ("America/Denver", "2026-11-02T06:59:59Z", date(2026, 11, 1)),  # the day has 25 hours
    ("America/Denver", "2026-11-02T07:00:00Z", date(2026, 11, 2)),
    ("America/Phoenix", "2026-06-02T06:59:59Z", date(2026, 6, 1)),
    ("America/Phoenix", "2026-06-02T07:00:00Z", date(2026, 6, 2)),
]


@pytest.mark.parametrize(("zone", "moment", "expected"), CHANGES)
def test_a_day_at_the_change_of_the_clock(
    in_house: Cast, time_machine: Any, zone: str, moment: str, expected: date
) -> None:
    in_house.property.time_zone = zone
    in_house.property.save()
    at = datetime.fromisoformat(moment)
    time_machine.move_to(at, tick=False)
    in_house.heater.refresh_from_db()
    heater = (
        type(in_house.heater)
        .objects.select_related("position__building__property")
        .get(pk=in_house.heater.pk)
    )
    assert services.local_day(heater, at) == expected
    assert services.local_today(in_house.property) == expected
    services.roll_forward(in_house.house)
    assert CareStart.objects.get(heater=heater).began_on == expected


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    at=st.datetimes(datetime(2015, 1, 1), datetime(2037, 1, 1), timezones=st.just(UTC)),
    zone=st.sampled_from(ZONES),
)
def test_days_follow_one_another_in_every_zone(in_house: Cast, at: datetime, zone: str) -> None:
    """No moment's day runs back, none is skipped, and none is further than a day from UTC's."""
    in_house.property.time_zone = zone
    in_house.heater.position.building.property.time_zone = zone
    days = [services.local_day(in_house.heater, at + timedelta(hours=hour)) for hour in range(0, 60, 3)]
    assert days == sorted(days)
    assert all(later - earlier <= timedelta(days=1) for earlier, later in itertools.pairwise(days))
    assert abs(days[0] - at.date()) <= timedelta(days=1)


def test_each_property_of_one_house_has_its_own_day(in_house: Cast, time_machine: Any) -> None:
    """At 12:30 UTC on 1 June it is 00:30 on 2 June in Auckland and 02:30 on 1 June in Honolulu."""
    far = make_heater(in_house.house, "Kauri Row", "K-1")
    for row, zone in (
        (in_house.property, "Pacific/Honolulu"),
        (far.position.building.property, "Pacific/Auckland"),
    ):
        row.time_zone = zone
        row.save()
    time_machine.move_to("2026-06-01T12:30:00Z", tick=False)
    services.roll_forward(in_house.house)
    began = dict(CareStart.objects.values_list("heater__tag", "began_on"))
    assert began == {"H-1": date(2026, 6, 1), "K-1": date(2026, 6, 2)}


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    installed=st.none() | st.dates(date(2004, 2, 28), date(2028, 2, 29)),
    start=st.dates(date(2024, 2, 25), date(2024, 3, 3)),
    years=st.integers(1, 6),
)
def test_year_by_year_is_one_leap_of_years(
    in_house: Cast, installed: date | None, start: date, years: int
) -> None:
    """Rolled every thirty days over leap years, or once over all of them: the same open work, day by day the same."""
    if installed is not None and installed > start:
        installed = start
    type(in_house.heater).objects.filter(pk=in_house.heater.pk).update(
        installed_earliest=installed,
        installed_latest=installed,
        installed_precision="day" if installed else "unknown",
    )

    def rolled(days: list[date]) -> list[tuple[Any, ...]]:
        Task.objects.all().delete()
        CareStart.objects.all().delete()
        ServiceRecord.objects.all().delete()
        for day in days:
            services.roll_forward(in_house.house, day)
        rows = Task.objects.filter(state="open").order_by("kind")
        return list(rows.values_list("kind", "due_on", "rule", "reason", "caution"))

    end = start + timedelta(days=365 * years + 1)
    small = [start + timedelta(days=step) for step in range(0, (end - start).days, 30)]
    assert rolled([*small, end]) == rolled([start, end])
