"""When work was done, by clocks that may be wrong."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from fleet.care.clock import NEAR, Clock, worked_at

NOON = datetime(2026, 6, 1, 12, tzinfo=UTC)
spans = st.timedeltas(timedelta(days=-3000), timedelta(days=3000))
short = st.timedeltas(timedelta(0), timedelta(days=3))


@given(offset=spans, since=short, after=short)
def test_a_steady_clock_is_corrected_exactly(offset: timedelta, since: timedelta, after: timedelta) -> None:
    """However wrong, as long as nobody touches it: the true moment comes out."""
    true = NOON - since
    clock = Clock(NOON, offset, true - after, offset)
    assert worked_at(true - offset, clock).at == true


@given(before=spans, now=spans, since=short, after=short)
def test_a_clock_changed_meanwhile_still_gives_a_possible_moment(
    before: timedelta, now: timedelta, since: timedelta, after: timedelta
) -> None:
    """The clock is set anew between the entry and the sending: the true moment comes out, as it was at the entry."""
    true = NOON - since
    clock = Clock(NOON, now, true - after, before)
    found = worked_at(true - before, clock)
    assert abs(found.at - true) <= NEAR or abs(before - now) <= NEAR
    assert found.at <= NOON


@given(
    claimed=st.datetimes(timezones=st.just(UTC)),
    offset=spans,
    fetched=st.none() | short,
    old=st.none() | spans,
)
def test_whatever_a_phone_claims_the_moment_is_possible(
    claimed: datetime, offset: timedelta, fetched: timedelta | None, old: timedelta | None
) -> None:
    since = None if fetched is None else NOON - fetched
    found = worked_at(claimed, Clock(NOON, offset, since, old))
    assert found.at <= NOON
    assert since is None or found.at >= since - NEAR


def test_no_claim_is_the_receipt_and_says_so() -> None:
    found = worked_at(None, Clock(NOON, timedelta(0)))
    assert found.at == NOON and "no time" in found.words


def test_a_claim_from_1970_is_the_receipt() -> None:
    found = worked_at(
        datetime(1970, 1, 1, tzinfo=UTC), Clock(NOON, timedelta(0), NOON - timedelta(hours=2), timedelta(0))
    )
    assert found.at == NOON and "cannot be" in found.words
