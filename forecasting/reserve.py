"""The reserve fund on joint paths: balances, the contribution a shortfall limit needs, percent funded.

Recursion, contributions c_t at the start (or the end) of period t, expenses E_t at its end, interest i_t:

    start:  B_(t+1) = (B_t + c_t)(1 + i_t) - E_t          end:  B_(t+1) = B_t (1 + i_t) + c_t - E_t

A contribution of c times a given pattern keeps a path at or above a floor when

    c >= max_t [ floor + X_t - B_0 G_t ] / A_t,

with G_t the growth of one unit of the opening balance, A_t the grown sum of the pattern and X_t the grown sum of
the expenses up to the end of period t.  That is each path's own minimum; the least contribution for which at most
a share q of the paths falls below the floor is the (1 - q) quantile of these minima, in one pass and exactly.

Fully funded balance: current cost x effective age / useful life; percent funded: balance / fully funded balance
(California Civil Code sections 5565 and 5570 require cash as a share of it and a 30-year sufficiency statement).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from forecasting.episodes import FloatArray

Timing = Literal["start", "end"]


@dataclass(frozen=True)
class Fund:
    """The fund's terms; arrays have one entry a period."""

    opening_balance: float
    interest: FloatArray  # (T,) earned over each period, 0.02 = 2 %
    other_draws: FloatArray  # (T,) other expenses the fund pays at the end of each period
    floor: float = 0.0
    timing: Timing = "start"

    @classmethod
    def level(
        cls,
        opening_balance: float,
        interest: float,
        period_edges_years: Sequence[float] | FloatArray,
        other_draws: float | FloatArray = 0.0,
        floor: float = 0.0,
        timing: Timing = "start",
    ) -> Fund:
        """One yearly rate over periods of any length: (1 + interest)^years - 1 a period."""
        years = np.diff(np.asarray(period_edges_years, dtype=float))
        if not len(years) or (years <= 0).any():
            raise ValueError(
                "A reserve over 0 years holds no year: give rising edges of at least one period."
            )
        if interest <= -1:
            raise ValueError(f"interest is {interest}; give a yearly rate above -1, for instance 0.02")
        draws = np.broadcast_to(np.asarray(other_draws, dtype=float), years.shape).copy()
        return cls(float(opening_balance), (1 + interest) ** years - 1, draws, floor, timing)


def _paths(fund: Fund, expenses: FloatArray) -> FloatArray:
    table = np.atleast_2d(np.asarray(expenses, dtype=float))
    if table.shape[1] != len(fund.interest) or len(fund.other_draws) != len(fund.interest):
        raise ValueError(
            f"expenses cover {table.shape[1]} periods and other draws {len(fund.other_draws)}; "
            f"the fund's interest covers {len(fund.interest)}"
        )
    if not np.isfinite(table).all():
        raise ValueError("expenses hold an amount that is not a number")
    return np.asarray(table + fund.other_draws)


def _step(fund: Fund, balance: FloatArray, period: int, paid: FloatArray, table: FloatArray) -> FloatArray:
    early, late = (paid[period], 0.0) if fund.timing == "start" else (0.0, paid[period])
    return np.asarray((balance + early) * (1 + fund.interest[period]) + late - table[:, period])


def _contributions(fund: Fund, contributions: FloatArray | Sequence[float]) -> FloatArray:
    paid = np.asarray(contributions, dtype=float)
    if paid.shape != fund.interest.shape:
        raise ValueError(f"{paid.shape} contributions for {len(fund.interest)} periods: give one a period")
    return paid


def balances(fund: Fund, contributions: FloatArray | Sequence[float], expenses: FloatArray) -> FloatArray:
    """(R, T) balance at the end of each period.

    contributions (T,), expenses (R, T), all in money of the period.  Raises ValueError on shapes that differ.
    """
    table, paid = _paths(fund, expenses), _contributions(fund, contributions)
    answer = np.empty_like(table)
    balance = np.full(len(table), float(fund.opening_balance))
    for period in range(len(paid)):
        balance = _step(fund, balance, period, paid, table)
        answer[:, period] = balance
    return answer


def least_contributions(
    fund: Fund, expenses: FloatArray, pattern: FloatArray | Sequence[float] | None = None
) -> FloatArray:
    """(R,) each path's own least c, at least 0, such that contributions c x pattern keep it at or above the floor.

    pattern (T,) is 1 for a level contribution, less in a part of a year, growing where contributions do.
    Raises ValueError when the pattern pays nothing before some shortfall.
    """
    table = _paths(fund, expenses)
    weights = np.ones(len(fund.interest)) if pattern is None else np.asarray(pattern, dtype=float)
    if weights.shape != fund.interest.shape or (weights < 0).any():
        raise ValueError("the pattern must hold one share of 0 or more a period")
    needed = np.zeros(len(table))
    grown, annuity, spent = float(fund.opening_balance), 0.0, np.zeros(len(table))
    for period, rate in enumerate(fund.interest):
        weight = weights[period]
        grown *= 1 + rate
        annuity = (annuity + weight) * (1 + rate) if fund.timing == "start" else annuity * (1 + rate) + weight
        spent = spent * (1 + rate) + table[:, period]
        short = fund.floor + spent - grown
        if annuity > 0:
            needed = np.maximum(needed, short / annuity)
        elif (short > 0).any():
            raise ValueError(
                f"period {period + 1} is short by up to {float(short.max()):,.2f} before any contribution is paid"
            )
    return needed


def contribution_for(
    fund: Fund,
    expenses: FloatArray,
    shortfall_limit: float,
    pattern: FloatArray | Sequence[float] | None = None,
) -> float:
    """The least c for which at most a share ``shortfall_limit`` of the paths falls below the floor at any time.

    Raises ValueError for a limit outside [0, 1).
    """
    if not 0 <= shortfall_limit < 1:
        raise ValueError(
            f"the shortfall limit is {shortfall_limit}; give a chance from 0 up to, not including, 1"
        )
    minima = np.sort(least_contributions(fund, expenses, pattern))
    allowed = int(np.floor(shortfall_limit * len(minima) + 1e-9))
    return float(minima[len(minima) - 1 - allowed])


@dataclass(frozen=True)
class Shortfalls:
    """How often a fund falls below its floor, and the special assessments that would fill it up again."""

    any_period: float  # chance that it happens at least once
    by_period: FloatArray  # (T,) chance of an assessment in each period
    assessed: FloatArray  # (R, T) money assessed, each restoring the floor
    mean_total: float  # expected money assessed over all periods
    p90_total: float

    @property
    def mean_when_any(self) -> float:
        """Expected money assessed on the paths where any is."""
        total = self.assessed.sum(axis=1)
        return float(total[total > 0].mean()) if (total > 0).any() else 0.0


def shortfalls(fund: Fund, contributions: FloatArray | Sequence[float], expenses: FloatArray) -> Shortfalls:
    """Special-assessment risk: whenever the balance would end a period below the floor, owners are charged the
    difference, so that a later assessment is counted only for a new shortfall."""
    table, paid = _paths(fund, expenses), _contributions(fund, contributions)
    tolerance = 1e-9 * max(1.0, float(np.abs(table).sum(axis=1).max(initial=0.0)))
    assessed = np.zeros_like(table)
    balance = np.full(len(table), float(fund.opening_balance))
    for period in range(len(paid)):
        balance = _step(fund, balance, period, paid, table)
        short = fund.floor - balance
        assessed[:, period] = np.where(short > tolerance, short, 0.0)
        balance = balance + assessed[:, period]
    total = assessed.sum(axis=1)
    return Shortfalls(
        any_period=float((total > 0).mean()),
        by_period=(assessed > 0).mean(axis=0),
        assessed=assessed,
        mean_total=float(total.mean()),
        p90_total=float(np.quantile(total, 0.9)),
    )


def fully_funded_balance(
    current_cost: FloatArray | float,
    effective_age_years: FloatArray | float,
    useful_life_years: FloatArray | float,
    price_growth: float = 0.0,
    interest: float = 0.0,
) -> FloatArray:
    """Straight-line part of each component used up: cost x min(age, life) / life; shapes broadcast.

    With price growth and interest the part is grown to its replacement and discounted back:
    x ((1 + growth) / (1 + interest))^(remaining life).  Raises ValueError for a cost or age below 0 or a life of 0.
    """
    cost, age, life = (
        np.asarray(v, dtype=float) for v in (current_cost, effective_age_years, useful_life_years)
    )
    if (cost < 0).any() or (age < 0).any() or not (life > 0).all():
        raise ValueError("costs and ages must be 0 or more and useful lives above 0")
    used = np.minimum(age, life)
    return np.asarray(cost * used / life * ((1 + price_growth) / (1 + interest)) ** (life - used))


def percent_funded(balance: float, fully_funded: float) -> float:
    """100 x balance / fully funded balance; 100 when nothing is due yet.  May exceed 100."""
    return 100.0 if fully_funded <= 0 else 100.0 * balance / fully_funded
