"""Joint paths of failures, planned removals and money, and the honest ways to sum them up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from forecasting.ends import Ends
from forecasting.episodes import FloatArray, IntArray

Measure = Literal["failures", "planned", "replacements", "cost"]


@dataclass(frozen=True)
class Shares:
    """Shares of the variance of the total cost; they sum to 1 (all 0 when nothing varies)."""

    parameters: float  # better or longer records would remove it
    chance: float  # stays, but averages out over many heaters
    prices: float  # the growth of prices is not known


@dataclass(frozen=True)
class Streams:
    """What R joint paths say.  On one path the parameters, the fates and the prices belong together.

    Quantiles of a sum are always taken of the summed paths; sums of quantiles are never formed.
    ``cost`` is in the money of each period, ``base_cost`` in this year's money.
    """

    periods: tuple[str, ...]
    groups: tuple[str, ...]
    ends: Ends
    price_level: FloatArray  # (R, T) price of the period against this year's
    expected_paths: IntArray  # (S,) paths for which the expectation below was worked out
    expected_base_cost: FloatArray  # (S, T, G) mean over chance alone, given the path's parameters
    method: str  # 'positions' (exact, heater by heater) | 'cohorts'

    @cached_property
    def failures(self) -> npt.NDArray[np.int32]:
        """(R, T, G)"""
        return self.ends.table(self.ends.failures).astype(np.int32)

    @cached_property
    def planned(self) -> npt.NDArray[np.int32]:
        """(R, T, G)"""
        return self.ends.table(self.ends.planned).astype(np.int32)

    @cached_property
    def base_cost(self) -> FloatArray:
        """(R, T, G)"""
        return self.ends.table(self.ends.money)

    @cached_property
    def cost(self) -> FloatArray:
        """(R, T, G)"""
        return self.base_cost * self.price_level[:, :, None]

    def values(self, measure: Measure = "cost", group: int | None = None) -> FloatArray:
        """(R, T) per path and period, summed over groups unless one is named by its index."""
        source: npt.NDArray[Any]
        if measure == "failures":
            source = self.failures
        elif measure == "planned":
            source = self.planned
        elif measure == "replacements":
            source = self.failures + self.planned
        elif measure == "cost":
            source = self.cost
        else:
            raise ValueError(f"measure {measure!r}: choose failures, planned, replacements or cost")
        chosen = source.sum(axis=2) if group is None else source[:, :, group]
        return np.asarray(chosen, dtype=float)

    def total(self, measure: Measure = "cost", group: int | None = None) -> FloatArray:
        """(R,) the whole horizon's total on each path."""
        return np.asarray(self.values(measure, group).sum(axis=1))

    def cumulative(self, measure: Measure = "cost", group: int | None = None) -> FloatArray:
        """(R, T) running totals on each path."""
        return np.asarray(self.values(measure, group).cumsum(axis=1))

    def quantile(
        self, q: float | Sequence[float], measure: Measure = "cost", group: int | None = None
    ) -> FloatArray:
        """Quantiles of the whole horizon's total.  Raises ValueError outside [0, 1]."""
        return np.asarray(np.quantile(self.total(measure, group), q))

    def table(
        self, measure: Measure = "cost", group: int | None = None, running: bool = False
    ) -> pd.DataFrame:
        """One row a period: period, mean, p10, p25, p50, p75, p90; ``running`` gives totals up to the period."""
        values = self.cumulative(measure, group) if running else self.values(measure, group)
        marks = np.quantile(values, [0.1, 0.25, 0.5, 0.75, 0.9], axis=0)
        frame = pd.DataFrame(marks.T, columns=["p10", "p25", "p50", "p75", "p90"])
        frame.insert(0, "mean", values.mean(axis=0))
        frame.insert(0, "period", list(self.periods))
        return frame

    def group_table(self, measure: Measure = "cost") -> pd.DataFrame:
        """One row a group over the whole horizon: group, mean, p10, p50, p90.

        The rows' quantiles do not add up to the portfolio's, and must not be added.
        """
        rows = []
        for index, name in enumerate(self.groups):
            total = self.total(measure, index)
            rows.append((name, total.mean(), *np.quantile(total, [0.1, 0.5, 0.9])))
        return pd.DataFrame(rows, columns=["group", "mean", "p10", "p50", "p90"])

    def shares(self, group: int | None = None) -> Shares:
        """Where the spread of the horizon's total cost comes from (law of total variance).

        See ``shares_of``.
        """
        base = self.base_cost.sum(axis=2) if group is None else self.base_cost[:, :, group]
        given = self.expected_base_cost
        expected = given.sum(axis=2) if group is None else given[:, :, group]
        return shares_of(base, expected, self.expected_paths, self.price_level)


def shares_of(
    base_cost: FloatArray, expected: FloatArray, expected_paths: IntArray, price_level: FloatArray
) -> Shares:
    """Of cost (R, T), its expectation given the parameters (S, T) on paths (S,), and price levels (R, T).

    parameters = Var(E[cost | parameters]) at mean prices, chance = Var(cost - E[cost | parameters]) at
    mean prices, prices = Var(mean cost at each path's prices).
    """
    level = price_level.mean(axis=0)
    by_parameters = (expected * level).sum(axis=1)
    by_chance = (base_cost[expected_paths] * level).sum(axis=1) - by_parameters
    by_prices = (base_cost.mean(axis=0) * price_level).sum(axis=1)
    parts = np.array([np.var(by_parameters), np.var(by_chance), np.var(by_prices)])
    whole = float(parts.sum())
    if whole <= 1e-12 * max(float(np.mean(by_prices)) ** 2, 1e-300):
        return Shares(0.0, 0.0, 0.0)
    return Shares(*(float(part / whole) for part in parts))
