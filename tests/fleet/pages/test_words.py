"""Dates, ages and numbers are never shown more exactly than they are known."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as some

from fleet.pages import words
from fleet.pages.templatetags.almanac import few_names, sentence

TODAY = date(2026, 11, 1)
days = some.dates(date(1950, 1, 1), TODAY)


def test_a_long_list_of_names_is_cut_and_counted() -> None:
    assert few_names("ABCD") == "A, B, C, D"
    assert few_names(range(1978)) == "0, 1, 2 and 1,975 more"
    assert few_names([]) == ""


@pytest.mark.parametrize(
    ("earliest", "latest", "precision", "shown"),
    [
        (None, None, "unknown", "not known"),
        (date(2016, 5, 3), date(2016, 5, 3), "day", "3 May 2016"),
        (date(2016, 5, 1), date(2016, 5, 31), "month", "May 2016"),
        (date(2016, 1, 1), date(2016, 12, 31), "year", "2016"),
        (date(2012, 1, 1), date(2014, 12, 31), "between", "1 Jan 2012 to 31 Dec 2014"),
    ],
)
def test_a_date_reads_as_it_was_known(
    earliest: date | None, latest: date | None, precision: str, shown: str
) -> None:
    assert words.a_date(earliest, latest, precision) == shown


@given(days, days)
def test_an_age_holds_every_day_that_the_start_can_have_been(one: date, other: date) -> None:
    earliest, latest = min(one, other), max(one, other)
    ages = words.age_years(earliest, latest, TODAY)
    assert ages is not None
    least, greatest = ages
    middle = earliest + timedelta(days=(latest - earliest).days // 2)
    assert 0 <= least <= (TODAY - middle).days / words.DAYS_IN_YEAR <= greatest


def test_an_age_is_one_number_only_when_it_is_known_that_well() -> None:
    assert words.an_age(date(2016, 11, 1), date(2016, 11, 1), TODAY) == "10.0 years"
    assert words.an_age(date(2012, 11, 1), date(2016, 11, 1), TODAY) == "10.0 to 14.0 years"
    assert words.an_age(None, None, TODAY) == "not known"


@pytest.mark.parametrize(
    ("fraction", "shown"),
    [
        (0.0, "0 %"),
        (0.0001, "under 1 %"),
        (0.234, "23 %"),
        (0.9999, "over 99 %"),
        (1.0, "100 %"),
        (None, "not known"),
    ],
)
def test_a_small_chance_is_not_called_none(fraction: float | None, shown: str) -> None:
    assert words.percent(fraction) == shown


def test_money_names_its_currency() -> None:
    assert words.money(Decimal("12345.67"), "EUR") == "EUR 12,346"


def test_no_and_zero_are_not_unknown() -> None:
    assert words.yes_no(False) == "no"
    assert words.a_number(0, "psi") == "0 psi"
    assert words.a_number(None, "psi") == "not known"


def test_one_is_not_many() -> None:
    assert words.how_many(1, "heater") == "1 heater"
    assert words.how_many(0, "heater") == "0 heaters"
    assert words.how_many(2000, "property", "properties") == "2,000 properties"


@pytest.mark.parametrize(
    ("minutes", "work", "wait"),
    [
        (0, "0 minutes", "0 minutes"),
        (1, "1 minute", "1 minute"),
        (60, "1 hour", "1 hour"),
        (160, "2 hours 40 minutes", "2 hours 40 minutes"),
        (599, "9 hours 59 minutes", "9 hours 59 minutes"),
        (10_190, "170 hours", "7 days 1 hour 50 minutes"),
        (1440, "24 hours", "1 day"),
    ],
)
def test_a_time_is_said_in_hours_and_minutes(minutes: int, work: str, wait: str) -> None:
    assert words.how_long(minutes) == work
    assert words.a_wait(minutes) == wait


def test_what_no_played_future_had_is_not_called_impossible() -> None:
    assert [words.chance(share) for share in (0.0, 0.3, 1.0)] == ["under 1 %", "30 %", "over 99 %"]


def test_what_somebody_typed_ends_as_a_sentence() -> None:
    assert [sentence(text) for text in ("no way in", "The heater left service.", "")] == [
        "no way in.",
        "The heater left service.",
        "",
    ]
