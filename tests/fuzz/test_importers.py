"""Broken and hostile files are refused in words or read; nothing breaks, hangs or swells. The long run: tests/fuzz/long.py."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleet.estate.models import Organisation
from tests.fuzz.readers import KINDS, read_within_bounds

FEW = settings(
    max_examples=25,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@pytest.fixture
def house(db: None) -> Organisation:
    return Organisation.objects.create(name="Fuzz House (invented)")


@pytest.mark.parametrize("kind", KINDS)
def test_a_file_is_read_or_refused_in_words(kind: str, house: Organisation) -> None:
    @FEW
    @given(KINDS[kind][0])
    def once(content: bytes) -> None:
        read_within_bounds(kind, house, content)

    once()


@pytest.mark.parametrize("piece", ["1 ", "a ", " to ", " -", "("])
def test_a_very_long_heading_or_cell_costs_no_time(piece: str, house: Organisation) -> None:
    """What looks for phrases must not take the square of a length that a stranger chooses."""
    words = f"a{piece * (60_000 // len(piece))}b"
    for content in (
        f"Tag,{words}\r\nH-1,1\r\n",
        f"Tag,Installed,Capacity gal\r\nH-1,{words[:39_000]},50\r\n",
    ):
        assert read_within_bounds("csv", house, content.encode()) < 4.0


@FEW
@given(data=st.data())
def test_a_file_under_a_wrong_name_is_refused_in_words(data: Any, house: Organisation) -> None:
    made_as, read_as = data.draw(st.permutations(list(KINDS)))[:2]
    read_within_bounds(read_as, house, data.draw(KINDS[made_as][0]))
