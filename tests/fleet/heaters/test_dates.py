"""Dates as people write them, and the laws that hold for all of them."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.heaters.date_reading import column_order, parse_date
from fleet.heaters.dates import UNKNOWN, AmbiguousDate, ImpreciseDate, UnreadableValue

AS_OF = date(2026, 11, 25)
days = st.dates(date(1950, 1, 1), AS_OF)


def read(value: object, order: str | None = None) -> ImpreciseDate:
    return parse_date(value, AS_OF, order)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("written", "earliest", "latest", "precision"),
    [
        ("2015-04-03", date(2015, 4, 3), date(2015, 4, 3), "day"),
        ("3 May 2014", date(2014, 5, 3), date(2014, 5, 3), "day"),
        ("May 3, 2014", date(2014, 5, 3), date(2014, 5, 3), "day"),
        ("25/4/15", date(2015, 4, 25), date(2015, 4, 25), "day"),
        ("4/25/15", date(2015, 4, 25), date(2015, 4, 25), "day"),
        ("2014", date(2014, 1, 1), date(2014, 12, 31), "year"),
        (2014.0, date(2014, 1, 1), date(2014, 12, 31), "year"),
        ("Apr 2015", date(2015, 4, 1), date(2015, 4, 30), "month"),
        ("Apr-15", date(2015, 4, 1), date(2015, 4, 30), "month"),
        ("08/2013", date(2013, 8, 1), date(2013, 8, 31), "month"),
        ("2012?", date(2011, 1, 1), date(2013, 12, 31), "between"),
        ("~2015", date(2014, 1, 1), date(2016, 12, 31), "between"),
        ("Spring 2014", date(2014, 3, 1), date(2014, 5, 31), "between"),
        ("winter 2014", date(2013, 12, 1), date(2015, 2, 28), "between"),
        ("winter 2014/15", date(2014, 12, 1), date(2015, 2, 28), "between"),
        ("25/4/2014 to 3/6/2015", date(2014, 4, 25), date(2015, 6, 3), "between"),
        ("between 3/4/2014 and 4/25/2015", date(2014, 3, 4), date(2015, 4, 25), "between"),
        ("4/25/2014 10:30", date(2014, 4, 25), date(2014, 4, 25), "day"),
        ("2005-2009", date(2005, 1, 1), date(2009, 12, 31), "between"),
        ("1990s", date(1990, 1, 1), date(1999, 12, 31), "between"),
        ("12 yrs old", date(2013, 11, 26), date(2015, 5, 25), "between"),
        ("18 months old", date(2025, 4, 26), date(2025, 5, 25), "between"),
    ],
)
def test_what_people_write(written: object, earliest: date, latest: date, precision: str) -> None:
    assert read(written) == ImpreciseDate(earliest, latest, precision)  # type: ignore[arg-type]


@pytest.mark.parametrize("written", ["", "unknown", "?", "n/a", None, "  Unknown ", "-"])
def test_what_is_not_known(written: object) -> None:
    assert read(written) == UNKNOWN


@pytest.mark.parametrize(
    "written",
    [
        "31/02/2015",
        "29 Feb 2015",
        "banana",
        "2031-05-01",
        "2099",
        "Apr 15",
        "before 2010",
        "9999",
        "12",
        True,
        "-3 yrs",
        "1815-01-01",
    ],
)
def test_what_cannot_be_read_says_what_would_be_right(written: object) -> None:
    with pytest.raises(UnreadableValue) as refusal:
        read(written)
    assert refusal.value.right


def test_three_four_fifteen_is_never_guessed() -> None:
    with pytest.raises(AmbiguousDate):
        read("3/4/15")
    assert read("3/4/15", "mdy") == ImpreciseDate.day(date(2015, 3, 4))
    assert read("3/4/15", "dmy") == ImpreciseDate.day(date(2015, 4, 3))
    assert read("4/4/15") == ImpreciseDate.day(date(2015, 4, 4))


def test_a_row_that_breaks_its_columns_order_is_refused() -> None:
    with pytest.raises(UnreadableValue, match="no month 25"):
        read("4/25/15", "dmy")


@pytest.mark.parametrize(
    ("column", "order"),
    [
        (["3/4/15", "25/4/15"], "dmy"),
        (["3/4/15", "4/25/15"], "mdy"),
        (["3/4/15", "5/6/15"], "ask"),
        (["25/4/15", "4/25/15"], "ask"),
        (["2015-04-03", "May 2014", "", None, "4/4/15"], "not needed"),
    ],
)
def test_the_order_is_a_matter_of_the_whole_column(column: list[object], order: str) -> None:
    assert column_order(column) == order


@given(days)
def test_a_day_reads_the_same_however_it_is_written(day: date) -> None:
    serial = (day - date(1899, 12, 30)).days
    forms: list[object] = [day, day.isoformat(), f"{day:%d %B %Y}", f"{day:%B} {day.day}, {day.year}"]
    if serial >= 20_000:
        forms += [serial, float(serial), str(serial)]
    for written in forms:
        assert read(written) == ImpreciseDate.day(day)
    assert read(f"{day.month}/{day.day}/{day.year}", "mdy") == ImpreciseDate.day(day)
    assert read(f"{day.day}/{day.month}/{day.year}", "dmy") == ImpreciseDate.day(day)


@given(days, st.integers(0, 4000))
def test_what_is_written_out_reads_back(day: date, length: int) -> None:
    for known in (
        ImpreciseDate.day(day),
        ImpreciseDate.month(day.year, day.month),
        ImpreciseDate.year(day.year),
        ImpreciseDate.between(day, day + timedelta(days=length)),
        UNKNOWN,
    ):
        assert parse_date(str(known), AS_OF) == known


@given(st.integers(0, 60), st.dates(date(2000, 1, 1), AS_OF))
def test_an_age_holds_the_day_it_was_counted_from(years: int, as_of: date) -> None:
    """Someone who counts completed years, and someone who rounds, are both inside."""
    found = parse_date(f"{years} yrs old", as_of)
    exactly = as_of - timedelta(days=round(365.2425 * years) + 20)
    assert found.earliest is not None
    assert found.latest is not None
    assert found.earliest <= exactly <= found.latest <= as_of


@given(st.text(max_size=30))
def test_any_text_is_read_or_refused_but_never_breaks(text: str) -> None:
    for order in (None, "mdy", "dmy"):
        try:
            found = read(text, order)
        except UnreadableValue:
            continue
        assert found == UNKNOWN or (found.earliest and found.earliest <= AS_OF)


@given(days, st.sampled_from(["~", "about ", "circa "]))
def test_about_is_never_narrower(day: date, word: str) -> None:
    for known in (
        ImpreciseDate.day(day),
        ImpreciseDate.month(day.year, day.month),
        ImpreciseDate.year(day.year),
    ):
        loose = read(f"{word}{known}")
        assert loose.earliest is not None
        assert known.earliest is not None
        assert loose.latest is not None
        assert known.latest is not None
        assert loose.earliest < known.earliest
        assert known.latest < loose.latest
