"""Heaters with several possible lives: vague install dates, and failures seen only between two visits.

For heater i with possible lives u (weights w_u), log hazard L_u (0 without failure), exposure E_u and, for
an ending in (l, t], exposure D_u of that gap, the likelihood given the building multiplier z is
``sum_u w_u z^d exp(L_u - z E_u) q(z D_u)`` with ``q = (1 - exp(-z D)) / z`` for a gap and 1 otherwise.  Its log
is linearised in z about the building's posterior mean z0: slope -Ebar, which joins the building's exposure, and
constant ``C = g(z0) + z0 Ebar``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecasting.episodes import BoolArray, Episodes, FloatArray, IntArray
from forecasting.hazard import (
    LOG_LN2,
    Rows,
    curvature_sum,
    exposure_of,
    in_cache,
    log_age,
    row_exposure,
)


@dataclass(frozen=True)
class MixtureBlock:
    """Possible lives of the heaters of one kind."""

    kind: int
    rows: Rows
    gap_row: FloatArray  # (n,) 1 where the row is the gap in which the ending fell
    starts: IntArray  # first row of each possible life
    log_weight: FloatArray  # (U,) log weight of the life
    exact: FloatArray  # (U,) 1 when the life ends in a failure at a known age
    gap: FloatArray  # (U,) 1 when it ends in a failure within a gap
    end_log_age: FloatArray  # (U,) log age at an exact failure, else 0
    end_x: FloatArray  # (U, P) covariates at an exact failure, else 0
    heater_of: IntArray  # (U,) heater of the life
    heater_starts: IntArray  # first life of each heater
    building: IntArray  # (M,) building of each heater
    failures: FloatArray  # (M,) 1 when the heater failed


def needs_mixture(episodes: Episodes) -> BoolArray:
    """Mask of rows that belong to heaters with several possible lives or an ending within a gap."""
    n_heaters = len(episodes.heater_ids)
    several = np.zeros(n_heaters, dtype=bool)
    several[episodes.heater[episodes.node > 0]] = True
    several[episodes.heater[episodes.node_log_weight != 0]] = True
    several[episodes.heater[~np.isnan(episodes.interval_lower) & episodes.event]] = True
    return np.asarray(several[episodes.heater])


def mixture_blocks(episodes: Episodes, chosen: IntArray) -> tuple[MixtureBlock, ...]:
    """Blocks by kind of the rows numbered ``chosen``."""
    key = (episodes.entry_age[chosen], episodes.node[chosen], episodes.heater[chosen], episodes.kind[chosen])
    chosen = chosen[np.lexsort(key)]
    kinds = episodes.kind[chosen]
    return tuple(_block(episodes, chosen[kinds == kind], int(kind)) for kind in np.unique(kinds))


def _block(episodes: Episodes, index: IntArray, kind: int) -> MixtureBlock:
    lower = episodes.interval_lower[index]
    gap_row = episodes.event[index] & ~np.isnan(lower)
    cut = gap_row & (lower > episodes.entry_age[index])
    # A row that ends in a gap is cut at the gap's beginning: survived to there, failed within.
    repeat = np.repeat(np.arange(len(index)), 1 + cut)
    second = np.zeros(len(repeat), dtype=bool)
    second[np.cumsum(1 + cut)[cut] - 1] = True
    index, first = index[repeat], cut[repeat] & ~second
    entry = np.where(second, lower[repeat], episodes.entry_age[index])
    leave = np.where(first, lower[repeat], episodes.exit_age[index])
    is_gap = gap_row[repeat] & ~first
    exact = episodes.event[index] & np.isnan(episodes.interval_lower[index])
    heater, node = episodes.heater[index], episodes.node[index]
    starts = np.flatnonzero((np.diff(heater, prepend=-1) != 0) | (np.diff(node, prepend=-1) != 0))
    ends = np.append(starts[1:], len(index)) - 1
    life_heater = heater[starts]
    heater_starts = np.flatnonzero(np.diff(life_heater, prepend=-1))
    x = np.ascontiguousarray(episodes.x[index])
    life_exact, life_gap = exact[ends].astype(float), is_gap[ends].astype(float)
    return MixtureBlock(
        kind=kind,
        rows=Rows(log_age(entry), log_age(leave), x),
        gap_row=is_gap.astype(float),
        starts=starts,
        log_weight=episodes.node_log_weight[index][starts],
        exact=life_exact,
        gap=life_gap,
        end_log_age=log_age(leave[ends]) * life_exact,
        end_x=x[ends] * life_exact[:, None],
        heater_of=np.cumsum(np.diff(life_heater, prepend=-1) != 0) - 1,
        heater_starts=heater_starts,
        building=episodes.building[index][starts][heater_starts],
        failures=np.maximum(life_exact, life_gap)[heater_starts],
    )


@dataclass(frozen=True)
class Lives:
    """Per possible life: exposure before the ending, exposure of the gap, log weight plus log hazard; (U, S)."""

    before: FloatArray
    within: FloatArray
    level: FloatArray


def lives_at(block: MixtureBlock, a: FloatArray, m: FloatArray, beta: FloatArray) -> Lives:
    """Evaluate the lives for S parameter vectors: a, m (S,), beta (S, P)."""
    shape = np.exp(a)
    everything, within = np.empty((len(block.starts), len(a))), np.zeros((len(block.starts), len(a)))
    for rows, lives in in_cache(block.starts, len(block.rows), len(a)):
        e = exposure_of(block.rows, rows, a, m, beta)
        starts = block.starts[lives] - rows.start
        everything[lives] = np.add.reduceat(e, starts, axis=0)
        if block.gap_row[rows].any():
            within[lives] = np.add.reduceat(e * block.gap_row[rows][:, None], starts, axis=0)
    level = np.multiply.outer(block.end_log_age, shape - 1) + block.end_x @ beta.T
    level += np.multiply.outer(block.exact, LOG_LN2 + a - shape * m) + block.log_weight[:, None]
    return Lives(everything - within, within, level)


def mix(block: MixtureBlock, lives: Lives, z: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mix the lives at heater multipliers z (M, S): log likelihood g (M, S), Ebar (M, S), shares (U, S)."""
    z_life = z[block.heater_of]
    gap = block.gap[:, None] > 0
    hazard = np.where(gap, np.maximum(z_life * lives.within, 1e-300), 1.0)
    log_q = np.where(gap, np.log(-np.expm1(-hazard)) - np.log(z_life), 0.0)
    with np.errstate(over="ignore"):
        slope = np.where(gap, 1 / z_life - lives.within / np.expm1(hazard), 0.0)
    terms = lives.level + log_q - z_life * lives.before
    top = np.maximum.reduceat(terms, block.heater_starts, axis=0)
    top = np.where(np.isfinite(top), top, 0.0)
    share = np.exp(terms - top[block.heater_of])
    total = np.add.reduceat(share, block.heater_starts, axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        g = top + np.log(total)
        share /= total[block.heater_of]
    mean = np.add.reduceat(share * (lives.before + slope), block.heater_starts, axis=0)
    return g, mean, share


def mixture_derivatives(
    block: MixtureBlock, a: float, m: float, beta: FloatArray, z: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Gradient, Hessian of sum g at multipliers z (M,), and the gradient of Ebar (M, 2 + P), by (a, m, beta).

    The Hessian is the mean of the lives' Hessians plus the covariance of their scores (Louis 1982).  The
    gradient of Ebar leaves out the movement of the shares: it only shapes the Newton step and the proposal.
    """
    single = (np.array([a]), np.array([m]), beta[None, :])
    lives = lives_at(block, *single)
    _, _, share = mix(block, lives, z[:, None])
    share, within = share[:, 0], lives.within[:, 0]
    z_life, shape = z[block.heater_of], float(np.exp(a))
    exposure = row_exposure(block.rows, a, m, beta)
    by_row = np.column_stack([exposure.e_a, -shape * exposure.e, block.rows.x * exposure.e[:, None]])
    everything = np.add.reduceat(by_row, block.starts, axis=0)
    gap_gradient = np.add.reduceat(by_row * block.gap_row[:, None], block.starts, axis=0)
    before = everything - gap_gradient
    hazard = np.where(block.gap > 0, np.maximum(z_life * within, 1e-300), 1.0)
    with np.errstate(over="ignore"):
        odds = block.gap / np.expm1(hazard)
    tilt = shape * (block.end_log_age - block.exact * m)
    score = np.column_stack([block.exact + tilt, -shape * block.exact, block.end_x])
    score += (z_life * odds)[:, None] * gap_gradient - z_life[:, None] * before
    weighted = score * share[:, None]
    mean_score = np.add.reduceat(weighted, block.heater_starts, axis=0)
    hessian = score.T @ weighted - mean_score.T @ mean_score
    bend = share * z_life**2 * odds * (1 + odds)
    hessian -= gap_gradient.T @ (gap_gradient * bend[:, None])
    hessian[0, 0] += share @ tilt
    cross = -shape * (share @ block.exact)
    hessian[0, 1] += cross
    hessian[1, 0] += cross
    life_of_row = np.repeat(np.arange(len(block.starts)), np.diff(np.append(block.starts, len(block.rows))))
    row_weight = (share * z_life)[life_of_row] * np.where(block.gap_row > 0, odds[life_of_row], -1.0)
    hessian += curvature_sum(block.rows, exposure, row_weight, shape)
    ebar = np.add.reduceat((before + 0.5 * gap_gradient) * share[:, None], block.heater_starts, axis=0)
    return mean_score.sum(axis=0), hessian, ebar
