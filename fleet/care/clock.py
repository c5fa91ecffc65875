"""When something was really done, where a phone's clock may be wrong or was changed meanwhile. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from fleet.pages.words import a_wait

NEAR = timedelta(minutes=2)  # slower than any network, quicker than anyone sets a clock: judgement, no source


@dataclass(frozen=True)
class Clock:
    """What is known of a phone's clock. Offsets are server less phone."""

    received_at: datetime
    offset_at_sending: timedelta
    fetched_at: datetime | None = None  # server's time when the phone last fetched its day before the entry
    offset_at_fetching: timedelta | None = None


@dataclass(frozen=True)
class Worked:
    at: datetime
    words: str = ""


def worked_at(claimed: datetime | None, clock: Clock) -> Worked:
    """The moment that counts: the claimed one corrected by the offset, between the fetch and the receipt.

    An entry cannot be older than the day it was made from nor younger than its receipt. Where the clock was
    changed in between, the offset that gives a possible time wins; where none does, the receipt stands.
    """
    if claimed is None:
        return Worked(clock.received_at, "The phone gave no time; the time of receipt stands.")
    offsets = [clock.offset_at_sending]
    if clock.offset_at_fetching is not None and abs(clock.offset_at_fetching - offsets[0]) > NEAR:
        offsets.insert(0, clock.offset_at_fetching)
    for offset in offsets:
        try:
            guess = claimed + offset
        except OverflowError:
            continue
        if _possible(guess, clock):
            at = min(guess, clock.received_at)
            return Worked(at, _words(offset, changed=len(offsets) > 1))
    return Worked(
        clock.received_at,
        f"The phone's clock said {claimed.astimezone(UTC):%Y-%m-%d %H:%M} UTC, which cannot be; the time of receipt stands.",
    )


def _possible(guess: datetime, clock: Clock) -> bool:
    if guess > clock.received_at + NEAR:
        return False
    return clock.fetched_at is None or guess >= clock.fetched_at - NEAR


def _words(offset: timedelta, changed: bool) -> str:
    if changed:
        return f"The phone's clock was changed meanwhile; at the entry it was {say_offset(-offset)}."
    if abs(offset) > NEAR:
        return f"The phone's clock was {say_offset(-offset)}; corrected."
    return ""


def say_offset(offset: timedelta) -> str:
    """Such as: 3 hours 5 minutes ahead."""
    return (
        f"{a_wait(round(abs(offset).total_seconds() / 60))} {'ahead' if offset > timedelta(0) else 'behind'}"
    )
