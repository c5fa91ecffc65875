"""Care's calendar against an independent one: dateutil.relativedelta (month arithmetic that clamps to month ends)."""

from __future__ import annotations

from datetime import date

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from fleet.care.rules import add_months


@given(st.dates(date(1950, 1, 1), date(2100, 1, 1)), st.integers(0, 600))
def test_months_as_the_reference_library_counts_them(day: date, months: int) -> None:
    assert add_months(day, months) == day + relativedelta(months=months)


@pytest.mark.parametrize(
    ("day", "months", "expected"),
    [
        (date(2024, 2, 29), 12, date(2025, 2, 28)),  # Gregorian calendar: 2025 is no leap year
        (date(2024, 2, 29), 48, date(2028, 2, 29)),  # 2028 is one
        (date(1999, 8, 31), 6, date(2000, 2, 29)),  # 2000 was one, divisible by 400
        (date(2099, 11, 30), 3, date(2100, 2, 28)),  # 2100 is none
    ],
)
def test_leap_days(day: date, months: int, expected: date) -> None:
    assert add_months(day, months) == expected
