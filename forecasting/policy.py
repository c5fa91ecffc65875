"""When to replace: the best age of a kind, the cost of waiting, and the price of each choice for one heater.

Age replacement.  A unit is renewed at age T at cost ``cp``, or at failure before T at cost ``cf > cp``.  With
survival R, failure chance F = 1 - R and hazard h, the long-run cost a year is

    C(T) = [cp R(T) + cf F(T)] / int_0^T R(u) du,        C(inf) = cf / mean life,

least where ``h(T) int_0^T R - F(T) = cp / (cf - cp)``, a single age when h rises without bound, and there
``C(T*) = (cf - cp) h(T*)``.  Source: Barlow and Proschan, Mathematical Theory of Reliability (1965), ch. 4, from
memory; Glasser 1967, Technometrics 9(1):83-91.  For a Weibull life of shape k and scale s
``int_0^T R = s Gamma(1 + 1/k) P(1/k, (T/s)^k)`` with P the regularised lower incomplete gamma function.

A heater in service.  Its first renewal at time tau costs ``c``; from then on its place costs ``g`` a year, the
least long-run yearly cost of the unit going in.  With the discount factor v a choice is therefore worth

    W = E[c v^tau] - g E[int_0^tau v^u du],

the money by which it exceeds a place that is renewed for good today at no price (relative value of the renewal
process, Howard 1960, from memory).  Constants common to all choices cancel.  W needs no arbitrary value of what
stands at the end of the horizon: a choice that leaves an old heater behind carries its burden in W.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import gamma, gammainc

from forecasting.capped import (
    CappedPlan,
    Choices,
    Limits,
    PlanConflict,
    capped_plan,
    plan_cost,
    plan_spend,
    sorted_plan,
)
from forecasting.episodes import FloatArray

__all__ = [
    "AgeReplacement",
    "CappedPlan",
    "Choices",
    "Limits",
    "PlanConflict",
    "Worth",
    "best_age",
    "capped_plan",
    "choice_worth",
    "cost_rate",
    "long_run_cost",
    "plan_cost",
    "plan_spend",
    "sorted_plan",
]

BISECTIONS = 70
LARGEST_HAZARD_SPENT = 50.0  # a best age that only exp(-50) of the units would reach is run to failure
LEAST_SAVING = 0.01  # below this share of the run-to-failure cost a best age is not worth keeping


def _check_prices(planned: FloatArray, failure: FloatArray) -> None:
    for name, price in (("planned", planned), ("failure", failure)):
        if not np.isfinite(price).all() or (price < 0).any():
            raise PlanConflict(
                f"The {name} price {float(np.min(price)):g} cannot be: a price is a finite amount of 0 or more.",
                {f"{name}_price": float(np.min(price))},
            )


def _check_life(shape: FloatArray, scale: FloatArray) -> None:
    if not ((shape > 0) & (scale > 0) & np.isfinite(shape) & np.isfinite(scale)).all():
        raise ValueError("shape and scale must be finite and above 0")


def cost_rate(
    age_years: FloatArray | float,
    shape: FloatArray | float,
    scale: FloatArray | float,
    planned_cost: FloatArray | float,
    failure_cost: FloatArray | float,
) -> FloatArray:
    """C(T), money a year, of replacing Weibull units at ``age_years`` (inf: run to failure); shapes broadcast.

    Raises ValueError for an age, shape or scale not above 0, PlanConflict for a price below 0.
    """
    age, k, s, cp, cf = (
        np.asarray(value, dtype=float) for value in (age_years, shape, scale, planned_cost, failure_cost)
    )
    _check_life(k, s)
    _check_prices(cp, cf)
    if not (age > 0).all():
        raise ValueError("age_years must be above 0")
    with np.errstate(over="ignore"):
        spent = np.where(np.isinf(age), np.inf, (age / s) ** k)
    survival = np.exp(-spent)
    lived = s * gamma(1 + 1 / k) * gammainc(1 / k, spent)
    return np.asarray((cp * survival + cf * (1 - survival)) / lived)


@dataclass(frozen=True)
class AgeReplacement:
    """The best age of each draw, what it costs a year, and what running to failure costs a year."""

    age_years: FloatArray  # (D,), inf where running to failure is at least as good
    cost_a_year: FloatArray  # (D,)
    run_to_failure_a_year: FloatArray  # (D,)

    @property
    def run_to_failure_share(self) -> float:
        """Share of the draws in which no age beats running to failure."""
        return float(np.isinf(self.age_years).mean())

    @property
    def saving_share(self) -> float:
        """Mean saving of the best age against running to failure, as a share of the latter."""
        whole = float(self.run_to_failure_a_year.mean())
        return float(1 - self.cost_a_year.mean() / whole) if whole else 0.0

    def interval(self, level: float = 0.8) -> tuple[float, float, float]:
        """(low, median, high) of the best age over the draws, inf meaning run to failure."""
        if not 0 < level < 1:
            raise ValueError(f"level is {level}; give a share between 0 and 1")
        marks = ((1 - level) / 2, 0.5, (1 + level) / 2)
        low, middle, high = (float(np.quantile(self.age_years, q, method="nearest")) for q in marks)
        return low, middle, high

    @property
    def advice(self) -> str:
        """'replace by age' | 'run to failure': the latter when one draw in ten finds no best age or the
        saving is below 1 %, too little to act on."""
        if self.run_to_failure_share > 0.1 or self.saving_share < LEAST_SAVING:
            return "run to failure"
        return "replace by age"


def best_age(
    shape: FloatArray | Sequence[float] | float,
    scale: FloatArray | Sequence[float] | float,
    planned_cost: float,
    failure_cost: float,
) -> AgeReplacement:
    """Solve h(T) int_0^T R - F(T) = cp / (cf - cp) by bisection, draw by draw.

    shape, scale (D,).  With shape <= 1 or cf <= cp there is no best age (inf); with cp = 0 the age is 0.
    Raises as ``cost_rate``.
    """
    k, s = np.broadcast_arrays(
        np.atleast_1d(np.asarray(shape, dtype=float)), np.atleast_1d(np.asarray(scale, dtype=float))
    )
    _check_life(k, s)
    _check_prices(np.asarray(planned_cost, dtype=float), np.asarray(failure_cost, dtype=float))
    run_to_failure = failure_cost / (s * gamma(1 + 1 / k))
    age = np.full(k.shape, np.inf)
    if planned_cost < failure_cost:
        wears = k > 1
        age[wears] = _best_fraction(k[wears], planned_cost / (failure_cost - planned_cost)) * s[wears]
    cost = run_to_failure.copy()
    found = np.isfinite(age)
    at = (age[found] / s[found]) ** (k[found] - 1) * k[found] / s[found]
    cost[found] = (failure_cost - planned_cost) * at
    worse = cost >= run_to_failure
    age[worse], cost[worse] = np.inf, run_to_failure[worse]
    return AgeReplacement(age, cost, run_to_failure)


def _best_fraction(shape: FloatArray, target: float) -> FloatArray:
    """T*/scale for shapes above 1; inf where it lies beyond the reach of any unit."""
    low = np.zeros(shape.shape)
    high = LARGEST_HAZARD_SPENT ** (1 / shape)

    def excess(u: FloatArray) -> FloatArray:
        spent = u**shape
        lived = gamma(1 + 1 / shape) * gammainc(1 / shape, spent)
        return np.asarray(shape * u ** (shape - 1) * lived + np.expm1(-spent) - target)

    beyond = excess(high) < 0
    for _ in range(BISECTIONS):
        middle = (low + high) / 2
        above = excess(middle) >= 0
        high = np.where(above, middle, high)
        low = np.where(above, low, middle)
    return np.where(beyond, np.inf, (low + high) / 2)


def long_run_cost(
    survival: FloatArray,
    planned_cost: FloatArray,
    failure_cost: FloatArray,
    discount_rate: float = 0.0,
) -> tuple[FloatArray, FloatArray]:
    """Least long-run yearly cost g of units with these survival curves, and the whole age that gives it.

    survival (N, Y+1) at ages 0..Y, starting at 1; prices (N,).  Returns (g, age), age inf = run to failure.
    With discount rate r, v = 1/(1+r):  g = [cp v^T R(T) + cf sum v^(y+1/2) (R(y) - R(y+1))] / sum of discounted
    years lived; what survives Y years is taken to fail then.
    """
    spent, lived, discount = _running_sums(survival, failure_cost[:, None], discount_rate)
    ages = np.arange(1, survival.shape[1])
    planned = spent[:, 1:] + planned_cost[:, None] * survival[:, 1:] * discount[1:]
    never = spent[:, -1] + failure_cost * survival[:, -1] * discount[-1]
    rates = np.concatenate([planned, never[:, None]], axis=1)
    rates /= np.concatenate([lived[:, 1:], lived[:, -1:]], axis=1)
    best = rates.argmin(axis=1)
    age = np.append(ages.astype(float), np.inf)[best]
    return np.take_along_axis(rates, best[:, None], axis=1)[:, 0], age


def _running_sums(
    survival: FloatArray, failure_cost: FloatArray, discount_rate: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """By whole year: discounted expected failure cost so far, discounted years lived so far, v^year.

    failure_cost (N, 1), or (N, Y) by year."""
    if survival.ndim != 2 or survival.shape[1] < 2:
        raise ValueError("survival must hold at least one year ahead: shape (N, years + 1)")
    if discount_rate <= -0.5:
        raise ValueError(f"discount_rate is {discount_rate}; give a yearly rate above -0.5")
    years = np.arange(survival.shape[1])
    discount = (1.0 + discount_rate) ** -years
    middle = (1.0 + discount_rate) ** -(years[:-1] + 0.5)
    failing = -np.diff(survival, axis=1)
    living = (survival[:, 1:] + survival[:, :-1]) / 2
    start = np.zeros((len(survival), 1))
    spent = np.concatenate([start, np.cumsum(failing * middle * failure_cost, axis=1)], axis=1)
    lived = np.concatenate([start, np.cumsum(living * middle, axis=1)], axis=1)
    return spent, lived, np.asarray(discount, dtype=float)


@dataclass(frozen=True)
class Worth:
    """W of each choice of each heater; lower is better."""

    planned: FloatArray  # (N, T) replaced in the middle of the period if it still works, else at failure
    later: FloatArray  # (N,) the best that can be done after the horizon, running to failure included
    run_to_failure: FloatArray  # (N,)
    survival: FloatArray  # (N, T) at the middle of each period
    discount: FloatArray  # (T,)
    waiting_cost: (
        FloatArray  # (N,) extra expected money of replacing in a year, or at failure, instead of now
    )
    new_unit_a_year: (
        FloatArray  # (N,) what the place costs for that year with the new unit: g times years lived
    )

    @property
    def waiting_pays(self) -> npt.NDArray[np.bool_]:
        return np.asarray(self.waiting_cost < self.new_unit_a_year)


def choice_worth(
    survival: FloatArray,
    planned_cost: FloatArray,
    failure_cost: FloatArray,
    new_unit_cost_a_year: FloatArray,
    period_edges_years: FloatArray | Sequence[float],
    discount_rate: float = 0.0,
) -> Worth:
    """W of replacing each heater in each period, after the horizon, or never before it fails.

    survival (N, Y+1) at 0..Y years from today, given that the heater works today; the money is this year's, so
    ``discount_rate`` is the rate above price growth.  Prices are (N,), or (N, T) by period where what goes in
    changes at a date; after the horizon the last period's stand.  Between whole years the log of the survival is straight.
    Raises PlanConflict for a horizon of 0 or a price below 0.
    """
    edges = np.asarray(period_edges_years, dtype=float)
    if len(edges) < 2 or edges[-1] <= 0:
        raise PlanConflict(
            "A plan over 0 years holds no year to replace in: give at least 1.", {"years": 0.0}
        )
    _check_prices(planned_cost, failure_cost)
    horizon = int(np.ceil(edges[-1]))
    if survival.shape[1] <= horizon + 1:
        raise ValueError(f"survival reaches {survival.shape[1] - 1} years; the horizon needs {horizon + 1}")
    by_year = _by_year(failure_cost, edges, survival.shape[1] - 1)
    spent, lived, discount = _running_sums(survival, by_year, discount_rate)
    by_period = planned_cost[:, None] if planned_cost.ndim == 1 else planned_cost
    last = by_period[:, -1:]
    g = new_unit_cost_a_year[:, None]
    whole = spent + last * survival * discount - g * lived
    never = spent[:, -1] + by_year[:, -1] * survival[:, -1] * discount[-1] - g[:, 0] * lived[:, -1]
    middle = (edges[:-1] + edges[1:]) / 2
    alive = _between(survival, middle)
    v = (1.0 + discount_rate) ** -middle
    at = np.floor(middle).astype(np.int64)
    part = middle - at
    failing = (survival[:, at] - alive) * (1.0 + discount_rate) ** -(at + part / 2)
    living = (survival[:, at] + alive) / 2 * part * (1.0 + discount_rate) ** -(at + part / 2)
    failure = failure_cost[:, None] if failure_cost.ndim == 1 else failure_cost
    cost = spent[:, at] + failing * failure + by_period * alive * v
    planned = cost - g * (lived[:, at] + living)
    later = np.minimum(whole[:, horizon:].min(axis=1), never)
    in_a_year = _by_year(planned_cost, edges, 2)[:, -1]
    waiting = spent[:, 1] + in_a_year * survival[:, 1] * discount[1] - by_period[:, 0]
    return Worth(planned, later, never, alive, v, waiting, g[:, 0] * lived[:, 1])


def _by_year(price: FloatArray, edges: FloatArray, years: int) -> FloatArray:
    """Prices by period as prices by coming year, (N, years); (N, 1) where they do not change."""
    if price.ndim == 1:
        return price[:, None]
    period = np.searchsorted(edges, np.arange(years) + 0.5, side="right") - 1
    return np.asarray(price[:, np.clip(period, 0, price.shape[1] - 1)])


def _between(survival: FloatArray, times: FloatArray) -> FloatArray:
    """(N, T) survival at any times."""
    log_survival = np.log(np.maximum(survival, 1e-300))
    at = np.minimum(np.floor(times).astype(np.int64), survival.shape[1] - 2)
    part = times - at
    return np.asarray(np.exp(log_survival[:, at] * (1 - part) + log_survival[:, at + 1] * part))
