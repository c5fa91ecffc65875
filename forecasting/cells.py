"""A large portfolio gathered into cells of heaters alike in group, kind, age, plan and risk."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array

from forecasting.dates import typical_log_survival
from forecasting.episodes import FloatArray, FutureStates, IntArray
from forecasting.plan import Plan, period_covariates
from forecasting.posterior import Posterior
from forecasting.risk import AGEING_COVARIATES, Float32Array, Multipliers

CELLS_WANTED = 4000
MOST_RISK_BINS = 16
LINE_RISK_BINS = 3
SPREAD_DRAWS = 24


@dataclass(frozen=True)
class Side:
    """Risk of a set of cells or of successor lines under any draw.

    Multiplier on path r = (weights @ z_r) * exp(x_t beta_r - x_0 mean(beta)): exact at the mean beta, first
    order in the rest.  ``spread`` is the squared coefficient of variation of the multiplier inside the cell:
    its riskier heaters go first, so survival is that of a gamma mixture, (1 + s H)^(-1/s).
    """

    kind: IntArray
    group: IntArray
    weights: csr_array  # (cells, columns of z)
    x: FloatArray  # (cells, T' or 1, P)
    centre: FloatArray  # (cells,) x_0 mean(beta)
    spread: Float32Array  # (cells,)
    planned_price: FloatArray  # (cells,) or (cells, T)
    emergency_price: FloatArray


@dataclass(frozen=True)
class Cells:
    """The fleet as cells (in order of the line their successors join) and those lines."""

    now: Side
    count: Float32Array  # heaters in each cell
    age: FloatArray
    planned_period: IntArray
    line: IntArray  # the line that takes over from each cell
    lines: Side
    next_line: IntArray  # the line that takes over from each line


def likely_ages(states: FutureStates, posterior: Posterior, risk: FloatArray) -> FloatArray:
    """One age a heater: exact where known; vague ages spread evenly over their distribution across heaters.

    The places in the distributions follow the golden ratio, so the fleet's mix of ages is kept with far less
    noise than drawing, and the same fleet gives the same ages.  ``risk`` (N,) is each heater's log multiplier.
    """
    weights = states.age_weights
    vague = (weights > 0).sum(axis=1) > 1
    place = weights.argmax(axis=1)
    if vague.any():
        rows = np.flatnonzero(vague)
        shape = np.exp(posterior.log_shape.mean(axis=0))[states.kind[rows], None]
        scale = np.exp(posterior.log_scale.mean(axis=0))[states.kind[rows], None]
        own = np.exp(-np.exp(risk[rows, None]) * (states.age_nodes[rows] / scale) ** shape)
        lived = weights[rows] * own / np.exp(typical_log_survival(states.age_nodes[rows]))
        lived = np.where(lived.sum(axis=1, keepdims=True) > 0, lived, weights[rows])
        ladder = (lived / lived.sum(axis=1, keepdims=True)).cumsum(axis=1)
        at = (np.arange(len(rows)) + 0.5) * 0.6180339887498949 % 1.0
        place[rows] = np.minimum((ladder < at[:, None]).sum(axis=1), weights.shape[1] - 1)
    return np.asarray(np.take_along_axis(states.age_nodes, place[:, None], axis=1)[:, 0])


def gather(posterior: Posterior, states: FutureStates, plan: Plan, multipliers: Multipliers) -> Cells:
    """Cut the fleet into cells of one group, kind, year of age and planned period, and by risk."""
    beta = posterior.beta.mean(axis=0)
    effect = np.exp(np.clip(states.x[:, 0] @ beta, -20, 20))
    mean_z = multipliers.z.mean(axis=0)[multipliers.column]
    risk = np.log(effect * mean_z)
    age = likely_ages(states, posterior, risk)
    cell, line = _assign(states, plan, age, risk)
    # Cells in the order of their lines, so that a line's share is a run of cells.
    first = np.unique(cell, return_index=True)[1]
    order = np.argsort(line[first], kind="stable")
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    cell, first = rank[cell], first[order]
    sums = csr_array((np.ones(len(cell)), (cell, np.arange(len(cell)))), shape=(len(first), len(cell)))
    x = states.x[:, :1] if states.x.strides[1] == 0 else states.x
    now = _side(posterior, states, plan, multipliers, sums, effect, first, x)
    # Years become periods after the gathering: a copy of the cells, not of the fleet.
    now = replace(now, x=period_covariates(now.x, plan.edges))
    count: FloatArray = np.asarray(sums.sum(axis=1), dtype=float).ravel()
    lines, next_line = _lines(posterior, states, plan, multipliers, line)
    return Cells(
        now=now,
        count=count.astype(np.float32),
        age=np.asarray(sums @ age, dtype=float) / count,
        planned_period=plan.planned_period[first],
        line=line[first],
        lines=lines,
        next_line=next_line,
    )


def _assign(states: FutureStates, plan: Plan, age: FloatArray, risk: FloatArray) -> tuple[IntArray, IntArray]:
    """(cell, line) of each heater, both numbered from 0 without gaps."""
    kinds = len(plan.successor_kind)
    sort = (plan.groups * kinds + states.kind).astype(np.int64)
    coarse, line_bins = 1.0, LINE_RISK_BINS
    while True:
        years = np.floor(age / coarse).astype(np.int64)
        key = (sort * 400 + years) * (plan.period_count + 1) + plan.planned_period + 1
        combinations = len(np.unique(key))
        if combinations <= 2 * CELLS_WANTED or coarse >= 8:
            break
        coarse *= 2
    bins = int(np.clip(CELLS_WANTED // max(1, combinations), 1, MOST_RISK_BINS))
    if len(np.unique(sort)) * line_bins > 600:
        line_bins = 1
    key = key * MOST_RISK_BINS + _risk_bin(risk, bins)
    line_key = (plan.groups * kinds + plan.successor_kind[states.kind]) * line_bins + _risk_bin(
        risk, line_bins
    )
    line = np.unique(line_key, return_inverse=True)[1]
    # A cell belongs to one line: the line is part of the key.
    cell = np.unique(key * (line.max() + 1) + line, return_inverse=True)[1]
    return cell.astype(np.int64), line.astype(np.int64)


def _risk_bin(risk: FloatArray, bins: int) -> IntArray:
    if bins == 1:
        return np.zeros(len(risk), dtype=np.int64)
    cuts = np.quantile(risk, np.linspace(0, 1, bins + 1)[1:-1])
    return np.searchsorted(cuts, risk).astype(np.int64)


def _side(
    posterior: Posterior,
    states: FutureStates,
    plan: Plan,
    multipliers: Multipliers,
    sums: csr_array,
    effect: FloatArray,
    first: IntArray,
    x: FloatArray,
) -> Side:
    """Mean risk of each row of ``sums`` (0/1, sets x heaters)."""
    count: FloatArray = np.asarray(sums.sum(axis=1), dtype=float).ravel()
    belongs = csr_array(
        (np.ones(len(effect)), (np.arange(len(effect)), multipliers.column)),
        shape=(len(effect), multipliers.z.shape[1]),
    )
    share = sums.multiply(effect[None, :]).tocsr()
    share = share.multiply((1 / count)[:, None]).tocsr()
    total: FloatArray = np.asarray(sums @ effect, dtype=float) / count
    mean_x = np.stack(
        [np.asarray(share @ x[:, t]) / total[:, None] for t in range(x.shape[1])],
        axis=1,
    )
    # Inside a cell: how much the multipliers differ, averaged over a few draws.
    weights = (share @ belongs).tocsr()
    few = np.linspace(0, multipliers.z.shape[0] - 1, SPREAD_DRAWS).round().astype(int)
    z = multipliers.z[few].T
    square = share.multiply(effect[None, :]).tocsr() @ belongs
    mean = np.asarray(weights @ z, dtype=float)
    spread = (np.asarray(square @ z**2, dtype=float) / mean**2 - 1).mean(axis=1)
    return Side(
        kind=states.kind[first].astype(np.int64),
        group=plan.groups[first].astype(np.int64),
        weights=weights,
        x=mean_x,
        centre=mean_x[:, 0] @ posterior.beta.mean(axis=0),
        spread=np.clip(spread, 1e-4, 4).astype(np.float32),
        planned_price=_mean_price(sums, plan.planned_price, count),
        emergency_price=_mean_price(sums, plan.emergency_price, count),
    )


def _mean_price(sums: csr_array, price: FloatArray, count: FloatArray) -> FloatArray:
    return np.asarray((sums @ price).T / count).T


def _lines(
    posterior: Posterior, states: FutureStates, plan: Plan, multipliers: Multipliers, line: IntArray
) -> tuple[Side, IntArray]:
    """Lines of successors: water, set point and the like as their predecessors', ageing left to the profile.

    Where a successor's own successor is of another kind, that kind gets a line of its own behind it.
    """
    lasting = states.x[:, :1].copy()
    for place, name in enumerate(posterior.covariates):
        if name in AGEING_COVARIATES:
            lasting[:, :, place] = 0.0
    effect = np.exp(np.clip(lasting[:, 0] @ posterior.beta.mean(axis=0), -20, 20))
    count = int(line.max()) + 1
    first = np.unique(line, return_index=True)[1]
    sums = csr_array((np.ones(len(line)), (line, np.arange(len(line)))), shape=(count, len(line)))
    base = _side(posterior, states, plan, multipliers, sums, effect, first, lasting)
    source, kinds, following = list(range(count)), plan.successor_kind[base.kind].tolist(), [-1] * count
    known = {(s, k): i for i, (s, k) in enumerate(zip(source, kinds, strict=True))}
    position = 0
    while position < len(source):
        key = (source[position], int(plan.successor_kind[kinds[position]]))
        if key not in known:
            known[key] = len(source)
            source.append(key[0])
            kinds.append(key[1])
            following.append(-1)
        following[position] = known[key]
        position += 1
    pick, kind = np.array(source), np.array(kinds, dtype=np.int64)
    planned, emergency = base.planned_price[pick], base.emergency_price[pick]
    if plan.kind_prices is not None:
        planned = plan.kind_prices[0][plan.successor_kind[kind]]
        emergency = plan.kind_prices[1][plan.successor_kind[kind]]
    side = Side(
        kind,
        base.group[pick],
        base.weights[pick],
        base.x[pick],
        base.centre[pick],
        base.spread[pick],
        planned,
        emergency,
    )
    return side, np.array(following, dtype=np.int64)


def draw_failures(
    normal: Float32Array, number: npt.NDArray[np.float32], chance: npt.NDArray[np.float32]
) -> Float32Array:
    """Binomial(number, chance) read off at the standard normal deviates given.

    Where the variance is above 4 the skewness-corrected normal quantile, rounded, stands for the exact one
    (Cornish and Fisher's first correction); below, the exact distribution function is climbed.  Failures
    never fall when ``chance`` or ``number`` rises at the same deviate, so scenarios stay comparable.
    """
    from scipy.special import ndtr

    mean = number * chance
    variance = mean * (1 - chance)
    # In plain order of memory: through a flat copy the small counts below would never reach the answer.
    answer: Float32Array = np.ascontiguousarray(np.sqrt(variance))
    answer *= normal
    answer += mean
    answer += (1 - 2 * chance) * (normal * normal - 1) * np.float32(1 / 6)
    np.rint(answer, out=answer)
    np.clip(answer, 0, number, out=answer)
    flat = answer.reshape(-1)
    small = np.flatnonzero((variance <= 4).reshape(-1))
    if not len(small):
        return answer
    n, p = number.reshape(-1)[small], chance.reshape(-1)[small]
    flat[small] = 0
    none = np.exp(n * np.log1p(-np.minimum(p, np.float32(0.999999))))
    u = ndtr(normal.reshape(-1)[small])
    more = np.flatnonzero((u > none) & (n > 0) & (p > 0))
    small, n, p, u, term = small[more], n[more], p[more], u[more], none[more].astype(float)
    total, k = term.copy(), 0
    odds = p / np.maximum(1 - p, np.float32(1e-6))
    while len(small):
        term = term * (n - k) / (k + 1) * odds
        k += 1
        total += term
        done = (total >= u) | (k >= n)
        flat[small[done]] = k
        go = ~done
        small, n, u, term, total, odds = small[go], n[go], u[go], term[go], total[go], odds[go]
    return answer
