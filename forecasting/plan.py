"""What a forecast of replacements is asked for, checked once and shared by its two engines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from forecasting.episodes import FloatArray, IntArray


@dataclass(frozen=True)
class Prices:
    """Cost of one replacement in this year's money, and how prices may grow.

    planned_cost, emergency_cost   (K,) by kind of the heater going in, or by heater (see ``by``): (N,), or (N, T)
                                   where what goes in, or what it costs, changes from one period to another
    growth_mean, growth_sd         yearly growth and the standard deviation of that yearly rate.  One rate is
                                   drawn a path and shared by all costs, so price risk does not average out.
    """

    planned_cost: FloatArray
    emergency_cost: FloatArray
    growth_mean: float = 0.0
    growth_sd: float = 0.0
    by: Literal["kind", "heater"] = "kind"


@dataclass(frozen=True)
class Plan:
    """The question, with every array of its full length."""

    edges: FloatArray  # (T+1,) years from today
    groups: IntArray  # (N,)
    group_count: int
    successor_kind: IntArray  # (K,)
    planned_price: FloatArray  # (N,) or (N, T)
    emergency_price: FloatArray  # (N,) or (N, T)
    kind_prices: tuple[FloatArray, FloatArray] | None  # (K,) planned, emergency when priced by kind
    planned_age_years: float  # inf = never
    planned_period: IntArray  # (N,) -1 = none
    seed: int

    @property
    def period_count(self) -> int:
        return len(self.edges) - 1


def in_period(prices: FloatArray, period: int) -> FloatArray:
    """The prices of a period, whether they change over time or not."""
    return prices if prices.ndim == 1 else prices[:, period]


def price_levels(prices: Prices, edges: FloatArray, paths: int, seed: int) -> FloatArray:
    """(R, T): (1 + g)^(middle of the period), g ~ N(growth_mean, growth_sd) once a path, above -20 %."""
    generator = np.random.default_rng([abs(seed), 7002])
    rate = prices.growth_mean + prices.growth_sd * generator.standard_normal(paths)
    middle = (edges[:-1] + edges[1:]) / 2
    return np.asarray(np.maximum(1 + rate, 0.8)[:, None] ** middle)


def period_covariates(x: FloatArray, edges: FloatArray) -> FloatArray:
    """Covariates by period (N, T', P): years weighed by their overlap with the period, the last one held.

    T' is 1 when nothing changes over the years.  Not copied when the periods are the years themselves.
    """
    if x.strides[1] == 0 or x.shape[1] == 1:
        return x[:, :1]
    periods = len(edges) - 1
    if periods <= x.shape[1] and np.array_equal(edges, np.arange(periods + 1)):
        return x[:, :periods]
    last = int(np.ceil(edges[-1])) + 1
    lower, upper = np.arange(last), np.arange(1, last + 1)
    overlap = np.minimum(edges[1:, None], upper) - np.maximum(edges[:-1, None], lower)
    share = np.clip(overlap, 0, None) / np.diff(edges)[:, None]
    folded = np.zeros((periods, x.shape[1]))
    np.add.at(folded.T, np.minimum(np.arange(last), x.shape[1] - 1), share.T)
    return np.asarray(np.einsum("th,nhp->ntp", folded, x, optimize=True))
