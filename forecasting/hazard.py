"""The lifetime model: likelihood of episodes, with gradient and Hessian.

Hazard at age t of a heater of kind q in building b:  ``z_b (k/lam) (t/lam)^(k-1) exp(x . beta)``, so the
cumulative hazard of an episode (s, t] is ``z_b r (H(t) - H(s))`` with ``r = exp(x . beta)`` and
``H(t) = ln 2 (t / med)^k``: the model is written in the log shape ``a = log k`` and the log median life
``m = log med`` of each kind.  The building multiplier ``z_b ~ Gamma(c, c)``, ``c = 1/v`` is integrated out:

    log L_b = lgamma(c + D) - lgamma(c) + c log c - (c + D) log(c + E) + sum of log hazards at z = 1,

with D failures and E exposure (expected failures at z = 1) in the building: the negative binomial form
(Klein & Moeschberger, Survival Analysis, ch. 13, from memory, not verified).  Delayed entry enters through H(s).

Heaters with several possible install dates and endings seen only between two visits are handled in
``mixtures``: their likelihood as a function of log z is linearised about the building's posterior mean, which
keeps the Gamma form; the error is half the variance of E over the dates times the variance of z.

Parameters travel as one vector ``theta = [a (K), m (K), beta (P), dispersion (1)]``; the last entry is the
logit of the place of log v between its bounds (``dispersion_of``), so no step can leave the bounds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.special import digamma, expit, gammaln, polygamma

from forecasting.episodes import Episodes, FloatArray, IntArray

LOG_LN2 = float(np.log(np.log(2.0)))
SMALLEST_LOG_AGE = -40.0  # stands for age zero: H is then zero to machine accuracy for any shape in use
DISPERSION_BOUNDS = (0.001, 1.0)
CHUNK_NUMBERS = 30_000  # of rows times parameter vectors
CHUNK_ROWS = 16_384  # keeps the temporaries of a pass inside the processor's cache
_LOG_LOW = float(np.log(DISPERSION_BOUNDS[0]))
_LOG_WIDTH = float(np.log(DISPERSION_BOUNDS[1]) - _LOG_LOW)


@dataclass(frozen=True)
class Rows:
    """Episode rows of one kind, sorted by building (or by possible life), ready for passes over them."""

    log_entry: FloatArray
    log_exit: FloatArray
    x: FloatArray
    weight: FloatArray | None = None  # exposure weights of a thinned set; None = 1

    def __len__(self) -> int:
        return len(self.log_exit)


@dataclass(frozen=True)
class KindBlock:
    """Rows of one kind whose dates are exact, with the sums of their failures that the likelihood needs."""

    kind: int
    rows: Rows
    starts: IntArray  # first row of each building's stretch
    building: IntArray  # building of each stretch
    failures: float
    sum_log_age: float  # over failures
    sum_x: FloatArray  # (P,) over failures


def log_age(age: FloatArray) -> FloatArray:
    """Natural log of an age in years, with age zero floored."""
    return np.log(np.maximum(age, np.exp(SMALLEST_LOG_AGE)))


def dispersion_of(eta: FloatArray | float) -> FloatArray:
    """Variance v of the building multiplier from its unbounded parameter (any shape)."""
    return np.asarray(np.exp(_LOG_LOW + _LOG_WIDTH * expit(eta)))


def eta_of(dispersion: float) -> float:
    """The unbounded parameter of a dispersion strictly inside its bounds."""
    place = (np.log(dispersion) - _LOG_LOW) / _LOG_WIDTH
    place = min(max(place, 1e-6), 1 - 1e-6)
    return float(np.log(place / (1 - place)))


def exposure_block(kind: int, building: IntArray, age: FloatArray, x: FloatArray) -> KindBlock:
    """Exposure from birth to an age without failures; rows in order of building."""
    starts = np.flatnonzero(np.diff(building, prepend=-1))
    rows = Rows(np.full(len(age), SMALLEST_LOG_AGE), log_age(age), np.ascontiguousarray(x))
    return KindBlock(kind, rows, starts, building[starts], 0.0, 0.0, np.zeros(x.shape[1]))


def exact_blocks(
    episodes: Episodes, chosen: FloatArray | IntArray, n_covariates: int
) -> tuple[KindBlock, ...]:
    """Blocks by kind of the rows numbered ``chosen``; rows of a building are brought together."""
    key = episodes.kind[chosen] * (len(episodes.buildings) + 1) + episodes.building[chosen]
    if np.any(np.diff(key) < 0):
        order = np.argsort(key, kind="stable")
        chosen, key = chosen[order], key[order]
    everything = len(chosen) == len(episodes.heater) and bool(np.all(np.diff(chosen) == 1))
    pick = slice(None) if everything else chosen
    kind, building = episodes.kind[pick], episodes.building[pick]
    event = episodes.event[pick]
    entry, leave, x = log_age(episodes.entry_age[pick]), log_age(episodes.exit_age[pick]), episodes.x[pick]
    blocks = []
    bounds = np.flatnonzero(np.diff(kind, prepend=-1, append=-1)) if len(kind) else np.zeros(0, np.int64)
    for low, high in pairwise(bounds.tolist()):
        part = slice(low, high)
        starts = np.flatnonzero(np.diff(building[part], prepend=-1))
        failed = event[part]
        blocks.append(
            KindBlock(
                kind=int(kind[low]),
                rows=Rows(entry[part], leave[part], np.ascontiguousarray(x[part])),
                starts=starts,
                building=building[part][starts],
                failures=float(failed.sum()),
                sum_log_age=float(leave[part][failed].sum()),
                sum_x=x[part][failed].sum(axis=0).reshape(n_covariates),
            )
        )
    return tuple(blocks)


@dataclass(frozen=True)
class Exposure:
    """Exposure e of each row at z = 1, with its first and second derivative by the log shape."""

    e: FloatArray
    e_a: FloatArray
    e_aa: FloatArray


def row_exposure(rows: Rows, log_shape: float, log_median: float, beta: FloatArray) -> Exposure:
    """e = r (H(t) - H(s)) of each row; e_a, e_aa by a = log k; by m: -k e; by beta: x e."""
    n = len(rows)
    out = Exposure(np.empty(n), np.empty(n), np.empty(n))
    shape = np.exp(log_shape)
    for low in range(0, n, CHUNK_ROWS):
        part = slice(low, low + CHUNK_ROWS)
        linear = rows.x[part] @ beta + LOG_LN2
        late = shape * (rows.log_exit[part] - log_median)
        early = shape * (rows.log_entry[part] - log_median)
        hazard_late, hazard_early = np.exp(late + linear), np.exp(early + linear)
        if rows.weight is not None:
            hazard_late *= rows.weight[part]
            hazard_early *= rows.weight[part]
        np.subtract(hazard_late, hazard_early, out=out.e[part])
        hazard_late *= late
        hazard_early *= early
        np.subtract(hazard_late, hazard_early, out=out.e_a[part])
        hazard_late *= late
        hazard_early *= early
        np.subtract(hazard_late, hazard_early, out=out.e_aa[part])
        out.e_aa[part] += out.e_a[part]
    return out


def gradient_sums(rows: Rows, exposure: Exposure, starts: IntArray, shape: float) -> FloatArray:
    """Gradient of the summed exposure of each stretch of rows by (a, m, beta): (stretches, 2 + P)."""
    n_covariates = rows.x.shape[1]
    sums = np.zeros((len(starts), 2 + n_covariates))
    if not len(starts):
        return sums
    sums[:, 0] = np.add.reduceat(exposure.e_a, starts)
    sums[:, 1] = -shape * np.add.reduceat(exposure.e, starts)
    for low, high, first, last, local in _chunks(len(rows), starts):
        part = slice(low, high)
        sums[first:last, 2:] += np.add.reduceat(rows.x[part] * exposure.e[part, None], local, axis=0)
    return sums


def _chunks(n: int, starts: IntArray) -> Iterator[tuple[int, int, int, int, IntArray]]:
    """(first row, last row, first stretch, last stretch, local stretch starts) of each chunk."""
    for low in range(0, n, CHUNK_ROWS):
        high = min(low + CHUNK_ROWS, n)
        first = int(np.searchsorted(starts, low, side="right")) - 1
        last = int(np.searchsorted(starts, high, side="left"))
        local = np.maximum(starts[first:last] - low, 0)
        yield low, high, first, last, local


def curvature_sum(rows: Rows, exposure: Exposure, weight: FloatArray, shape: float) -> FloatArray:
    """Sum over rows of weight x Hessian of e by (a, m, beta): (2 + P, 2 + P)."""
    n_covariates = rows.x.shape[1]
    total = np.zeros((2 + n_covariates, 2 + n_covariates))
    for low in range(0, len(rows), CHUNK_ROWS):
        part = slice(low, low + CHUNK_ROWS)
        x, w = rows.x[part], weight[part]
        we, we_a = w * exposure.e[part], w * exposure.e_a[part]
        total[0, 0] += w @ exposure.e_aa[part]
        total[0, 1] -= shape * (we_a.sum() + we.sum())
        total[1, 1] += shape**2 * we.sum()
        total[0, 2:] += we_a @ x
        total[1, 2:] -= shape * (we @ x)
        total[2:, 2:] += x.T @ (x * we[:, None])
    lower = np.tril_indices(2 + n_covariates, -1)
    total[lower] = total.T[lower]
    return total


def failure_terms(block: KindBlock, a: FloatArray, m: FloatArray, beta: FloatArray) -> FloatArray:
    """Sum of log hazards at z = 1 over the block's failures, for S parameter vectors: a, m (S,), beta (S, P)."""
    shape = np.exp(a)
    level = block.failures * (LOG_LN2 + a - shape * m)
    return np.asarray(level + (shape - 1) * block.sum_log_age + beta @ block.sum_x)


def failure_derivatives(block: KindBlock, a: float, m: float) -> tuple[FloatArray, FloatArray]:
    """Gradient (2 + P,) and Hessian (2 + P, 2 + P) of ``failure_terms``."""
    size = 2 + len(block.sum_x)
    shape = float(np.exp(a))
    tilt = shape * (block.sum_log_age - block.failures * m)
    gradient = np.concatenate([[block.failures + tilt, -shape * block.failures], block.sum_x])
    hessian = np.zeros((size, size))
    hessian[0, 0] = tilt
    hessian[0, 1] = hessian[1, 0] = -shape * block.failures
    return gradient, hessian


def block_exposure(block: KindBlock, a: FloatArray, m: FloatArray, beta: FloatArray) -> FloatArray:
    """Exposure of each stretch for S parameter vectors: (stretches, S); a, m (S,), beta (S, P)."""
    answer = np.empty((len(block.starts), len(a)))
    for rows, stretches in in_cache(block.starts, len(block.rows), len(a)):
        e = exposure_of(block.rows, rows, a, m, beta)
        answer[stretches] = np.add.reduceat(e, block.starts[stretches] - rows.start, axis=0)
    return answer


def exposure_of(rows: Rows, part: slice, a: FloatArray, m: FloatArray, beta: FloatArray) -> FloatArray:
    """Exposure of some rows at z = 1 for S parameter vectors, (rows, S)."""
    shape = np.exp(a)
    linear = rows.x[part] @ beta.T
    linear += LOG_LN2 - shape * m
    late = np.multiply.outer(rows.log_exit[part], shape)
    late += linear
    np.exp(late, out=late)
    early = np.multiply.outer(rows.log_entry[part], shape)
    early += linear
    np.exp(early, out=early)
    late -= early
    if rows.weight is not None:
        late *= rows.weight[part][:, None]
    return late


def in_cache(starts: IntArray, count: int, width: int) -> Iterator[tuple[slice, slice]]:
    """(rows, stretches) a few stretches at a time, so that ``width`` numbers a row stay inside the processor's cache."""
    ends = np.append(starts[1:], count)
    at_once = max(1, CHUNK_NUMBERS // width)
    first = 0
    while first < len(starts):
        last = max(first + 1, int(np.searchsorted(ends, starts[first] + at_once, side="right")))
        yield slice(int(starts[first]), int(ends[last - 1])), slice(first, last)
        first = last


def building_terms(failures: FloatArray, exposure: FloatArray, c: FloatArray) -> FloatArray:
    """Log of the Gamma-mixed factor of each building: failures (B,) or (B, S), exposure (B, S), c (S,) -> (B, S)."""
    counts = failures[:, None] if failures.ndim == 1 else failures
    with np.errstate(invalid="ignore"):
        constant = gammaln(counts + c) - gammaln(c) + c * np.log(c)
        return np.asarray(constant - (c + counts) * np.log(c + exposure))


def building_multiplier(failures: FloatArray, exposure: FloatArray, c: FloatArray | float) -> FloatArray:
    """Posterior mean of each building's multiplier, (c + D) / (c + E)."""
    return np.asarray((c + failures) / (c + exposure))


def concentration_slope(eta: float) -> float:
    """Derivative of c = 1/v by eta."""
    place = float(expit(eta))
    return -_LOG_WIDTH * place * (1 - place) / float(dispersion_of(eta))


def dispersion_derivatives(
    failures: FloatArray, exposure: FloatArray, eta: float
) -> tuple[float, float, FloatArray]:
    """First and second derivative of the building terms by eta, and the mixed one by eta and each E_b."""
    c, place = 1 / float(dispersion_of(eta)), float(expit(eta))
    slope = _LOG_WIDTH * place * (1 - place)  # d log v / d eta
    c_1 = concentration_slope(eta)
    c_2 = c * slope**2 - c * slope * (1 - 2 * place)
    z = building_multiplier(failures, exposure, c)
    first = (digamma(failures + c) - digamma(c) + np.log(c) + 1 - np.log(c + exposure) - z).sum()
    second = polygamma(1, failures + c) - polygamma(1, c) + 1 / c - 2 / (c + exposure) + z / (c + exposure)
    mixed = (z - 1) / (c + exposure)
    return float(first * c_1), float(second.sum() * c_1**2 + first * c_2), np.asarray(mixed * c_1)
