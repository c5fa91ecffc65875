"""An amount means the same with its thousands apart or not, and what can be read in two ways is not guessed."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as some

from fleet.pages.typed_numbers import amount_of, grouped, read_as, same


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("2700", "2700"), ("2,700", "2700"), ("$ 2,700.50", "2700.50"), ("1,234,567.8", "1234567.8"),
        ("0.75", "0.75"), ("0,75", "0.75"), (",5", "0.5"), ("2700,50", "2700.50"), ("0,125", "0.125"),
        (" 95 ", "95"), ("-3", "-3"), ("12 500", "12500"),
    ],
)  # fmt: skip
def test_it_is_read_as_it_was_meant(typed: str, meant: str) -> None:
    assert amount_of(typed) == Decimal(meant)


@pytest.mark.parametrize("typed", ["", "many", "2.700,50", "1,23,456", "2700,500", "1,2,3", "1.2.3"])
def test_what_is_no_number_or_could_be_two_is_not_guessed(typed: str) -> None:
    assert amount_of(typed) is None


@given(some.decimals(0, 9_999_999, places=2))
def test_what_a_field_shows_is_read_back_the_same(amount: Decimal) -> None:
    for digits in (0, 2):
        assert amount_of(grouped(amount, digits)) == amount
    assert same(grouped(amount), f"{amount:f}")


def test_a_field_shows_thousands_apart() -> None:
    assert [grouped(Decimal(text), 2) for text in ("16000", "0.1234", "9.5E+1")] == [
        "16,000.00",
        "0.1234",
        "95.00",
    ]
    assert [grouped(Decimal(text)) for text in ("1500.00", "0.75", "9.5E+1")] == ["1,500", "0.75", "95"]


def test_a_small_share_without_a_sign_is_said_back() -> None:
    assert read_as("Growth", "0.03") == "Growth: 0.03 was read as 0.03 %. If 3 % was meant, write 3."
    assert [read_as("Growth", typed) for typed in ("3", "3 %", "0.5 %", "0", "", "x")] == [""] * 6
