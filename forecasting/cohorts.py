"""Joint paths cell by cell: the cost hardly grows with the fleet.

Each path takes one posterior draw.  In every period a cell loses a binomial number of heaters; their
successors join a line at the middle of the period and can fail in later ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecasting.cells import Cells, Side, draw_failures
from forecasting.ends import Ends
from forecasting.episodes import FloatArray, IntArray
from forecasting.plan import Plan, in_period
from forecasting.posterior import Posterior
from forecasting.risk import Float32Array, Multipliers
from forecasting.threads import in_threads

PATHS_A_BLOCK = 125


@dataclass
class Counts:
    """Running sums over (R, T, G)."""

    failures: FloatArray
    planned: FloatArray
    base_cost: FloatArray

    @classmethod
    def empty(cls, paths: int, plan: Plan) -> Counts:
        shape = (paths, plan.period_count, plan.group_count)
        return cls(np.zeros(shape), np.zeros(shape), np.zeros(shape))

    def ends(self) -> Ends:
        """Those of chance, as entries."""
        failures, planned = (np.rint(values).astype(np.int32) for values in (self.failures, self.planned))
        return Ends.of_tables(failures, planned, self.base_cost)


@dataclass(frozen=True)
class _Block:
    """Parameters of the paths run together."""

    number: int
    paths: IntArray  # places in the whole run
    z: FloatArray  # (columns, Rb)
    shape: FloatArray  # (K, Rb)
    log_scale: FloatArray  # (K, Rb)
    beta: FloatArray  # (P, Rb)
    ageing: FloatArray  # (K, V, Rb)


def run_cohorts(
    posterior: Posterior,
    cells: Cells,
    plan: Plan,
    multipliers: Multipliers,
    draws: IntArray,
    profile: FloatArray,
    by_chance: bool = True,
) -> Counts:
    """Counts on ``len(draws)`` joint paths; without ``by_chance`` the exact expectation given each draw.

    ``multipliers.z`` holds the draws in the order of ``draws``.  Blocks have a fixed size and their own
    random numbers, so the answer does not depend on how many cores there are.
    """

    def one(start: int) -> tuple[IntArray, Counts]:
        paths = np.arange(start, min(start + PATHS_A_BLOCK, len(draws)))
        own = draws[paths]
        block = _Block(
            number=start // PATHS_A_BLOCK,
            paths=paths,
            z=multipliers.z[paths].T,
            shape=np.exp(posterior.log_shape[own]).T,
            log_scale=posterior.log_scale[own].T,
            beta=posterior.beta[own].T,
            ageing=np.einsum("kvp,rp->kvr", profile, posterior.beta[own]),
        )
        return paths, _run(cells, plan, block, by_chance)

    total = Counts.empty(len(draws), plan)
    for paths, counts in in_threads(one, list(range(0, len(draws), PATHS_A_BLOCK))):
        total.failures[paths] = counts.failures
        total.planned[paths] = counts.planned
        total.base_cost[paths] = counts.base_cost
    return total


def _log_rate(side: Side, block: _Block) -> Float32Array:
    """log of (multiplier / lam^k / exp(x_t beta)), (sets, Rb)."""
    mean = np.log(np.maximum(side.weights @ block.z, 1e-30))
    scale = block.shape[side.kind] * block.log_scale[side.kind]
    answer: Float32Array = (mean - side.centre[:, None] - scale).astype(np.float32)
    return answer


def _chance(used: Float32Array, step: Float32Array, spread: Float32Array) -> Float32Array:
    """Chance of failing while the cell's mean cumulative hazard goes from ``used`` to ``used + step``."""
    before = 1 + spread * used
    ratio = np.log1p(spread * step / before)
    ratio /= -spread
    answer: Float32Array = np.expm1(ratio)
    answer *= -1
    return answer


def _run(cells: Cells, plan: Plan, block: _Block, by_chance: bool) -> Counts:
    width = len(block.paths)
    counts = Counts.empty(width, plan)
    lines = _Lines(cells, plan, block)
    number = np.repeat(cells.count[:, None], width, axis=1)
    base = _log_rate(cells.now, block)
    beta = block.beta.astype(np.float32)
    shape = block.shape[cells.now.kind].astype(np.float32)
    spread = cells.now.spread[:, None]
    used = np.zeros_like(base)
    low = np.power(cells.age[:, None].astype(np.float32), shape)
    x = cells.now.x.astype(np.float32)
    starts = np.flatnonzero(np.r_[True, np.diff(cells.line) > 0])
    rate = np.exp(base + x[:, 0] @ beta)
    for period in range(plan.period_count):
        generator = np.random.default_rng([abs(plan.seed), 7004, block.number, period])
        if period and x.shape[1] > 1:
            rate = np.exp(base + x[:, period] @ beta)
        age = (cells.age + plan.edges[period + 1]).astype(np.float32)
        high = np.power(age[:, None], shape)
        step = (high - low) * rate
        low = high
        chance = _chance(used, step, spread)
        used += step
        due = _cells_due(cells, plan, period)
        # Removed at mid-period: exposed to half of the period's hazard.
        chance[due] = -np.expm1(np.log1p(-np.minimum(chance[due], np.float32(0.999999))) / 2)
        failed = _fail(generator, number, chance, by_chance)
        number -= failed
        removed = np.zeros_like(number)
        removed[due] = number[due]
        number[due] = 0
        _book(counts, period, cells.now, failed, removed)
        joining = np.zeros((len(cells.next_line), width), dtype=np.float32)
        joining[cells.line[starts]] = np.add.reduceat(failed + removed, starts, axis=0)
        lines.advance(period, joining, counts, generator, by_chance)
    return counts


def _cells_due(cells: Cells, plan: Plan, period: int) -> IntArray:
    due = cells.planned_period == period
    due |= cells.age + plan.edges[period + 1] > plan.planned_age_years
    return np.flatnonzero(due)


def _fail(
    generator: np.random.Generator, number: Float32Array, chance: Float32Array, by_chance: bool
) -> Float32Array:
    if not by_chance:
        expected: Float32Array = number * chance
        return expected
    return draw_failures(generator.standard_normal(number.shape, dtype=np.float32), number, chance)


def _book(counts: Counts, period: int, side: Side, failed: Float32Array, removed: Float32Array) -> None:
    """Add to the groups' counts and to the money at this year's prices."""
    groups = counts.failures.shape[2]
    order = np.argsort(side.group, kind="stable")
    group = side.group[order]
    starts = np.flatnonzero(np.r_[True, np.diff(group) > 0])
    present = group[starts]
    emergency, planned = (in_period(price, period) for price in (side.emergency_price, side.planned_price))
    money = failed * emergency[:, None] + removed * planned[:, None]
    for values, target in (
        (failed, counts.failures),
        (removed, counts.planned),
        (money, counts.base_cost),
    ):
        if groups == 1:
            target[:, period, 0] += values.sum(axis=0, dtype=float)
        elif values.any():
            summed = np.add.reduceat(values[order], starts, axis=0, dtype=float)
            target[:, period, present] += summed.T


class _Lines:
    """Successors on the way: one vintage a period and line."""

    def __init__(self, cells: Cells, plan: Plan, block: _Block) -> None:
        side, periods, width = cells.lines, plan.period_count, len(block.paths)
        self.side, self.plan, self.block, self.next_line = side, plan, block, cells.next_line
        rate = _log_rate(side, block) + (side.x[:, 0] @ block.beta)
        # Places whose heaters die sooner send more newcomers: lives go as multiplier^(-1/k), so a newcomer's
        # mean multiplier is E[m^(1+1/k)] / E[m^(1/k)], about (1 + spread / k) times the places' mean.
        rate += np.log1p(side.spread[:, None] / block.shape[side.kind])
        self.rate = np.exp(rate).astype(np.float32)
        self.number = np.zeros((periods, len(side.kind), width), dtype=np.float32)
        self.used = np.zeros_like(self.number)
        self.born = (plan.edges[1:] + plan.edges[:-1]) / 2

    def advance(
        self,
        period: int,
        joining: Float32Array,
        counts: Counts,
        generator: np.random.Generator,
        by_chance: bool,
    ) -> None:
        """Fail and remove what is on the way, then take in this period's newcomers."""
        if period:
            joining = joining + self._losses(period, counts, generator, by_chance)
        self.number[period] = joining

    def _losses(
        self, period: int, counts: Counts, generator: np.random.Generator, by_chance: bool
    ) -> Float32Array:
        plan, side = self.plan, self.side
        number, used = self.number[:period], self.used[:period]
        step = self._hazard(period)[:, side.kind] * self.rate
        chance = _chance(used, step, side.spread[:, None])
        used += step
        due = plan.edges[period + 1] - self.born[:period] > plan.planned_age_years
        chance[due] = -np.expm1(np.log1p(-np.minimum(chance[due], np.float32(0.999999))) / 2)
        failed = _fail(generator, number, chance, by_chance)
        number -= failed
        removed = np.where(due[:, None, None], number, np.float32(0))
        number[due] = 0
        lost, out = failed.sum(axis=0), removed.sum(axis=0)
        _book(counts, period, side, lost, out)
        passed: Float32Array = np.zeros_like(lost)
        np.add.at(passed, self.next_line, lost + out)
        return passed

    def _hazard(self, period: int) -> Float32Array:
        """(vintages, K, Rb): growth of age^k with the ageing of that age, before the line's own rate."""
        block, edges = self.block, self.plan.edges
        start = edges[period] - self.born[:period]
        start[start < (edges[period] - edges[period - 1]) / 2 + 1e-9] = (
            0.0  # the first half period counts too
        )
        stop = edges[period + 1] - self.born[:period]
        year = np.minimum(start.astype(np.int64), block.ageing.shape[1] - 1)
        growth = stop[:, None, None] ** block.shape - start[:, None, None] ** block.shape
        return np.asarray(growth * np.exp(block.ageing[:, year].transpose(1, 0, 2)), dtype=np.float32)
