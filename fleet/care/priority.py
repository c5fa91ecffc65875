"""What comes first, and why. Safety and promises before money; then loss avoided per crew hour. Pure.

Safety is not weighed against dollars: it stands in front. The share of the loss that a task avoids is judgement,
no source; the chance of failure comes from the last good forecast, else from published lifetimes by kind and age.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from fleet.care.kinds import TaskKind
from fleet.care.rules import say

PROMISE_NEAR_DAYS = 7
LATE_YEAR_FACTOR = 1.0  # a task a year late weighs double: judgement, no source
# The share of the next year's expected loss that the work avoids: judgement, no source.
AVOIDS_DEFAULT = 0.03
AVOIDS: Mapping[str, float] = {
    "flush": 0.10,
    "anode_inspection": 0.15,
    "anode_renewal": 0.30,
    "powered_anode_check": 0.10,
    "tankless_descale": 0.25,
    "tank_inspection": 0.15,
    "replacement_review": 0.50,
    "pan_drain_alarm": 0.20,
    "expansion_tank_precharge": 0.10,
    "static_pressure": 0.10,
}
ASSUMED_EXTRA = 1000.0  # what a failure by surprise costs more, where no forecast prices it: an illustration


@dataclass(frozen=True)
class Risk:
    """The chance that this heater fails within a year, and what that costs more than a planned replacement."""

    chance: float
    extra: float
    source: str
    currency: str = "USD"


@dataclass(frozen=True)
class Priority:
    """Smaller comes first."""

    group: int
    per_hour: float
    why: str
    short: str = ""

    @property
    def order(self) -> tuple[int, float]:
        return (self.group, -self.per_hour)


def priority(
    kind: TaskKind, due_on: date, window_days: int, promised_by: date | None, today: date, risk: Risk | None
) -> Priority:
    group, words = _group(kind, due_on, window_days, promised_by, today)
    if risk is None:
        return Priority(group, 0.0, words, words)
    per_hour = _per_hour(kind, due_on, today, risk)
    money = (
        f"avoids about {risk.currency} {per_hour:,.0f} of loss per crew hour ({100 * risk.chance:.0f} % chance of failing within a year, "
        f"{risk.source})"
    )
    short = f"an hour of this work avoids about {risk.currency} {per_hour:,.0f} of loss"
    return Priority(group, per_hour, _sentence(words, money), _sentence(words, short))


def order_of(
    kind: TaskKind, due_on: date, window_days: int, promised_by: date | None, today: date, risk: Risk | None
) -> tuple[int, float]:
    """The priority's order without its words: where two thousand tasks are ordered and a hundred are told."""
    group, _ = _group(kind, due_on, window_days, promised_by, today)
    return (group, -_per_hour(kind, due_on, today, risk) if risk else 0.0)


def _per_hour(kind: TaskKind, due_on: date, today: date, risk: Risk) -> float:
    late = max((today - due_on).days, 0)
    share = AVOIDS.get(kind.code, AVOIDS_DEFAULT)
    return risk.chance * risk.extra * share / (kind.minutes / 60) * (1 + LATE_YEAR_FACTOR * late / 365)


def _sentence(words: str, money: str) -> str:
    return f"{words}; {money}." if words else f"{money[0].upper()}{money[1:]}."


def _group(
    kind: TaskKind, due_on: date, window_days: int, promised_by: date | None, today: date
) -> tuple[int, str]:
    late = max((today - due_on).days, 0)
    if kind.safety and late > window_days:
        return 0, "Safety work past its last day"
    if promised_by is not None and (promised_by - today).days <= PROMISE_NEAR_DAYS:
        return 1, f"Promised by {say(promised_by)}"
    if kind.safety and late:
        return 2, "Safety work past its day"
    if kind.safety:
        return 3, "Safety work"
    if promised_by is not None:
        return 4, f"Promised by {say(promised_by)}"
    return (4, "Past its day") if late else (5, "")


def chance_within_a_year(age_years: float, median_years: float, shape: float) -> float:
    """Of a Weibull life with this median, having reached this age."""
    scale = math.log(2) / median_years**shape
    return 1 - math.exp(-scale * ((age_years + 1) ** shape - age_years**shape))
