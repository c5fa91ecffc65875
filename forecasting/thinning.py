"""A fit's target on a sample of rows: what makes weighing thousands of draws on a million rows affordable."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecasting import hazard, mixtures
from forecasting.episodes import FloatArray
from forecasting.target import Point, Target


@dataclass(frozen=True)
class ThinnedTarget:
    """A target on a sample of rows, corrected so that it equals the whole to second order at the mode.

    Rows are drawn in proportion to their exposure at the mode, each carrying an equal share of its building's
    exposure; what the sample gets wrong in gradient and Hessian there is added back.
    """

    inner: Target
    mode: FloatArray
    gradient_gap: FloatArray
    hessian_gap: FloatArray

    def many(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """As ``Target.many``."""
        value, exposure = self.inner.many(theta)
        off = theta - self.mode
        correction = off @ self.gradient_gap + 0.5 * np.einsum("si,ij,sj->s", off, self.hessian_gap, off)
        return np.where(np.isfinite(value), value + correction, -np.inf), exposure


def thin(target: Target, point: Point, wanted_rows: int) -> ThinnedTarget:
    """Sample about ``wanted_rows`` rows; where possible lives are many, they are first fixed in their shares."""
    k, beta = target.n_kinds, point.theta[2 * target.n_kinds : -1]
    inner = target
    if 3 * sum(len(block.rows) for block in target.mixed) > wanted_rows:
        inner = replace(target, exact=target.exact + _fixed_shares(target, point), mixed=())
    whole = (*inner.exact, *(inner.ages.blocks if inner.ages is not None else ()))
    rows = [hazard.row_exposure(b.rows, point.theta[b.kind], point.theta[k + b.kind], beta).e for b in whole]
    total = sum(float(e.sum()) for e in rows)
    if total > 0:
        step = total / wanted_rows
        blocks = [_thin_block(b, np.maximum(e, 1e-300), step) for b, e in zip(whole, rows, strict=True)]
        of_record, of_ages = tuple(blocks[: len(inner.exact)]), tuple(blocks[len(inner.exact) :])
        ages = replace(inner.ages, blocks=of_ages) if inner.ages is not None else None
        inner = replace(inner, exact=of_record, ages=ages)
    at_mode = inner.point(point.theta)
    return ThinnedTarget(
        inner, point.theta, point.gradient - at_mode.gradient, point.hessian - at_mode.hessian
    )


def _fixed_shares(target: Target, point: Point) -> tuple[hazard.KindBlock, ...]:
    """Possible lives as rows weighted by each life's share at the mode; what that misses is corrected there."""
    k, one = target.n_kinds, point.theta[None, :]
    c = 1 / hazard.dispersion_of(one[:, -1])
    z = hazard.building_multiplier(target.counts(one), point.exposure[:, None], c)
    blocks = []
    for mixed in target.mixed:
        lives = mixtures.lives_at(mixed, one[:, mixed.kind], one[:, k + mixed.kind], one[:, 2 * k : -1])
        share = mixtures.mix(mixed, lives, np.clip(z[mixed.building], 1e-12, 1e12))[2][:, 0]
        life_of_row = np.repeat(
            np.arange(len(mixed.starts)), np.diff(np.append(mixed.starts, len(mixed.rows)))
        )
        hazard_of_gap = np.maximum(z[mixed.building][mixed.heater_of, 0] * lives.within[:, 0], 1e-9)
        in_gap = (1 / hazard_of_gap - 1 / np.expm1(hazard_of_gap))[
            life_of_row
        ]  # part of the gap lived through
        weight = share[life_of_row] * np.where(mixed.gap_row > 0, in_gap, 1.0)
        building = mixed.building[mixed.heater_of][life_of_row]
        order = np.argsort(building, kind="stable")
        starts = np.flatnonzero(np.diff(building[order], prepend=-1))
        ends = np.append(mixed.starts[1:], len(mixed.rows)) - 1
        failed = share * np.maximum(mixed.exact, mixed.gap)
        rows = hazard.Rows(
            mixed.rows.log_entry[order],
            mixed.rows.log_exit[order],
            mixed.rows.x[order],
            weight[order],
        )
        blocks.append(
            hazard.KindBlock(
                kind=mixed.kind,
                rows=rows,
                starts=starts,
                building=building[order][starts],
                failures=float(failed.sum()),
                sum_log_age=float(failed @ mixed.rows.log_exit[ends]),
                sum_x=failed @ mixed.rows.x[ends],
            )
        )
    return tuple(blocks)


def _thin_block(block: hazard.KindBlock, e: FloatArray, step: float) -> hazard.KindBlock:
    summed = np.concatenate([[0.0], np.cumsum(e)])
    ends = np.append(block.starts[1:], len(e))
    low, high = summed[block.starts], summed[ends]
    count = np.maximum(1, np.round((high - low) / step)).astype(np.int64)
    starts = np.concatenate([[0], np.cumsum(count)[:-1]]).astype(np.int64)
    place = np.arange(count.sum()) - np.repeat(starts, count) + 0.5
    share = np.repeat((high - low) / count, count)
    picked = np.searchsorted(summed, np.repeat(low, count) + place * share, side="right") - 1
    picked = np.clip(picked, np.repeat(block.starts, count), np.repeat(ends, count) - 1)
    weight = share / e[picked]
    if block.rows.weight is not None:
        weight = weight * block.rows.weight[picked]
    rows = hazard.Rows(
        block.rows.log_entry[picked], block.rows.log_exit[picked], block.rows.x[picked], weight
    )
    return replace(block, rows=rows, starts=starts)
