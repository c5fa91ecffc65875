"""The likelihood of the ages at which heaters were found standing (``standing``), given the model's parameters.

A heater of age a, rate r = exp(x . beta), in a building with multiplier z has density

    exp(-rho a) exp(-z r H(a)) / mu,   mu = integral of exp(-rho u) exp(-z r H(u)) du,

rho the rate of other removals.  With a scale ``lam_i = lam r^(-1/k)`` the norm at z = 1 is ``lam_i M(rho lam_i, k)``,
``M(q, k) = integral of exp(-q u - u^k) du``, and in z it goes as ``z^(-g/k)`` with ``g = 1 - q E[u]`` (exact for
rho = 0, linear in log z else; taken at the rate of a typical heater of the kind).  So the ages of a building are
``z^G exp(-z A)`` in its multiplier, G the sum of g/k and A the sum of r H(a): the Gamma form stays.

Where the ages are evidence on lives their density joins the likelihood: G the building's failures, A its exposure, and
mu a constant.  Elsewhere they still tell one building from another: in one that is hard on heaters those found
standing are young.  A fit deaf to that takes the old ones it meets for hardy, and the shape comes out low.  There the
record L(z) is weighed with the multiplier drawn given the ages, their law divided by its mean over multipliers,

    integral of L(z) z^G exp(-z A) dGamma(z; c, c)  /  integral of z^G exp(-z A) dGamma(z; c, c),

in which mu cancels: the building's factor with D + G failures and E + A exposure over that with G and A.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecasting import hazard
from forecasting.episodes import BoolArray, FloatArray
from forecasting.hazard import LOG_LN2
from forecasting.standing import Standing

NODES, WEIGHTS = np.polynomial.legendre.leggauss(26)
# Below it no draw has any weight, and the quadrature would want more nodes. The whole norm stands still there: a count
# of g/k without bound would make the density grow without bound as the shape goes to zero.
SMALLEST_SHAPE = 0.7
STEP = 1e-4
# The log of the norm is smooth in the log of the scale: between the shortest and the longest scale of many heaters it is
# as good as a polynomial (to 1e-6 for scales a factor of seven apart), which costs a tenth.
POLYNOMIAL, WIDEST = 9, 6.0
_PLACES = np.polynomial.chebyshev.chebpts1(POLYNOMIAL)
_TO_COEFFICIENTS = np.linalg.inv(np.polynomial.chebyshev.chebvander(_PLACES, POLYNOMIAL - 1))


def norm_and_mean(q: FloatArray, shape: FloatArray) -> tuple[FloatArray, FloatArray]:
    """log M(q, k) and E[u] under exp(-q u - u^k) / M, by quadrature up to where exp(-u^k) is 1e-13.

    ``q`` is (..., S) and ``shape`` (S,): powers are taken once a shape, only the plain exponential once an entry.
    """
    shape = np.maximum(shape, SMALLEST_SHAPE)
    reach = 30.0 ** (1 / shape)
    total, first = np.zeros(q.shape), np.zeros(q.shape)
    for node, weight in zip(NODES, WEIGHTS, strict=True):
        place = reach * (node + 1) / 2
        density = np.exp(q * -place)
        density *= weight / 2 * reach * np.exp(-(place**shape))
        total += density
        density *= place
        first += density
    return np.asarray(np.log(np.maximum(total, 1e-300))), np.asarray(first / np.maximum(total, 1e-300))


@dataclass(frozen=True)
class AgesFound:
    """What the ages of ``standing`` (in the target's kinds and covariates) say of the buildings and of lives."""

    standing: Standing
    blocks: tuple[hazard.KindBlock, ...]  # exposure from birth to the ages found
    found: FloatArray  # (B, K) how many were found of each kind
    heard: BoolArray  # (B,) their ages are evidence on lives too

    def exposure(self, theta: FloatArray) -> FloatArray:
        """A of each building (B, S) at S vectors (S, p)."""
        kinds, total = self.found.shape[1], np.zeros((len(self.found), len(theta)))
        for block in self.blocks:
            a, m = theta[:, block.kind], theta[:, kinds + block.kind]
            total[block.building] += hazard.block_exposure(block, a, m, theta[:, 2 * kinds : -1])
        return total

    def count(self, theta: FloatArray) -> FloatArray:
        """G of each building (B, S)."""
        kinds = self.found.shape[1]
        shape = np.maximum(np.exp(theta[:, :kinds].T), SMALLEST_SHAPE)
        q = self._removals(theta[:, kinds : 2 * kinds].T - LOG_LN2 / shape)
        power = np.clip(1 - q * norm_and_mean(q, shape)[1], 0.02, 1.0) / shape
        return np.asarray(self.found @ power)

    def constant(self, theta: FloatArray) -> FloatArray:
        """Minus the sum of log mu at z = 1 over the ages that are heard (S,)."""
        kinds, total = self.found.shape[1], np.zeros(len(theta))
        heard = self.heard[self.standing.building]
        for kind in np.unique(self.standing.kind[heard]):
            rows = heard & (self.standing.kind == kind)
            shape = np.maximum(np.exp(theta[:, kind]), SMALLEST_SHAPE)
            linear = self.standing.x_usual[rows] @ theta[:, 2 * kinds : -1].T
            place = theta[:, kinds + kind] - (LOG_LN2 + linear) / shape
            total -= place.sum(axis=0) + self._summed_norms(place, shape)
        return total

    def _summed_norms(self, log_scale: FloatArray, shape: FloatArray) -> FloatArray:
        """Sum of log M over heaters (n, S), of a shape (S,): by a polynomial between their least and largest scale."""
        low, high = log_scale.min(axis=0), log_scale.max(axis=0)
        if len(log_scale) <= POLYNOMIAL or (high - low).max() > WIDEST:
            return np.asarray(norm_and_mean(self._removals(log_scale), shape)[0].sum(axis=0))
        middle, half = (low + high) / 2, np.maximum((high - low) / 2, 1e-9)
        at = middle + half * _PLACES[:, None]
        coefficients = _TO_COEFFICIENTS @ norm_and_mean(self._removals(at), shape)[0]
        u = (log_scale - middle) / half
        before, power, sums = np.ones_like(u), u, [np.full(len(middle), float(len(u))), u.sum(axis=0)]
        for _ in range(2, POLYNOMIAL):
            before, power = power, 2 * u * power - before
            sums.append(power.sum(axis=0))
        return np.asarray((coefficients * np.stack(sums)).sum(axis=0))

    def _removals(self, log_scale: FloatArray) -> FloatArray:
        return np.asarray(self.standing.removals_per_year * np.exp(np.clip(log_scale, -20, 20)))

    def slopes(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Derivative of the constant and of G by theta at one vector, by central differences: (p,), (B, p)."""
        size = len(theta)
        around = np.concatenate([theta + STEP * np.eye(size), theta - STEP * np.eye(size)])
        constant, count = self.constant(around), self.count(around)
        up, down = slice(0, size), slice(size, None)
        return (constant[up] - constant[down]) / (2 * STEP), (count[:, up] - count[:, down]) / (2 * STEP)


def ages_found(standing: Standing, kinds: int, buildings: int, hear: bool) -> AgesFound:
    """The ages of ``standing``; with ``hear``, those in buildings known to be old are evidence on lives."""
    blocks = []
    for kind in np.unique(standing.kind):
        rows = np.flatnonzero(standing.kind == kind)
        rows = rows[np.argsort(standing.building[rows], kind="stable")]
        blocks.append(
            hazard.exposure_block(int(kind), standing.building[rows], standing.age[rows], standing.x[rows])
        )
    found = np.zeros((buildings, kinds))
    np.add.at(found, (standing.building, standing.kind), 1.0)
    heard = np.zeros(buildings, dtype=bool)
    heard[standing.building[standing.old]] = hear
    return AgesFound(standing, tuple(blocks), found, heard)
