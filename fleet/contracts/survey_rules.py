"""Which heaters a company takes on, and on what terms: rules with sentences that the client can read. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

# Judgement, no source: above an even chance of failing during the contract a replacement is no risk but a bill.
RELIABLE_CHANCE = 0.5
NEVER_CARED_YEARS = 6.0  # judgement, no source: older than this without any care on record


@dataclass(frozen=True)
class HeaterFacts:
    """What is known of one heater on the day of the survey."""

    age_years: float | None
    fail_chance: float  # of failing within the years looked ahead
    years_ahead: int
    cared_for: bool  # a flush, an anode or a relief valve test is on record
    is_storage: bool
    unsafe: Sequence[str] = ()
    no_access: bool = False
    recalled: bool = False
    out_of_code: bool = False
    closed_without_expansion: bool = False
    missing: Sequence[str] = field(default=())


@dataclass(frozen=True)
class Ruling:
    verdict: str  # 'taken' | 'limited' | 'refused'
    reasons: list[str]


def judge(facts: HeaterFacts) -> Ruling:
    """Every rule that speaks is told; the strictest decides."""
    refused, limited = [], []
    for what in facts.unsafe:
        refused.append(f"An unsafe finding is open: {what}. It is taken on once that is closed.")
    if facts.no_access:
        refused.append("It cannot be reached to work on. It is taken on once there is access.")
    if facts.recalled:
        refused.append("Its maker recalled it. It is taken on once the recall is dealt with.")
    if facts.out_of_code:
        refused.append(
            "Its installation does not meet the local code. It is taken on once that is put right."
        )
    if facts.fail_chance > RELIABLE_CHANCE:
        age = (
            f"It is past its reliable age: it is about {facts.age_years:.0f} years old"
            if facts.age_years is not None
            else "It counts as past its reliable age: its age is not known"
        )
        limited.append(
            f"{age}, and its chance of failing within {facts.years_ahead} years "
            f"is {100 * facts.fail_chance:.0f} %. Its replacement is not covered."
        )
    old = facts.age_years is None or facts.age_years > NEVER_CARED_YEARS
    if facts.is_storage and not facts.cared_for and old:
        limited.append(
            f"No care is on record and it is older than {NEVER_CARED_YEARS:.0f} years, or its age is not known. "
            "Its replacement is not covered."
        )
    if facts.closed_without_expansion:
        limited.append(
            "The system is closed and has no expansion tank, which strains the heater. "
            "Its replacement is not covered until one is fitted."
        )
    if refused:
        return Ruling("refused", refused + limited)
    return Ruling("limited" if limited else "taken", limited)
