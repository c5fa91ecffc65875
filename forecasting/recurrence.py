"""The likelihood of the ages at which heaters were found standing (``standing``), given the model's parameters.

A heater of age a, rate r = exp(x . beta), in a building with multiplier z has density

    exp(-rho a) exp(-z r H(a)) / mu,   mu = integral of exp(-rho u) exp(-z r H(u)) du,

rho the rate of other removals.  The exposure z r H(a) joins the building's like any other; with a scale
``lam_i = lam r^(-1/k)`` the norm at z = 1 is ``lam_i M(rho lam_i, k)``, ``M(q, k) = integral of exp(-q u - u^k) du``,
and in z it goes as ``z^(-g/k)`` with ``g = 1 - q E[u]`` (exact for rho = 0, linear in log z else).  So the building's
Gamma form stays: g/k joins the building's count of failures.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecasting.episodes import FloatArray, IntArray
from forecasting.hazard import LOG_LN2
from forecasting.standing import Standing

NODES, WEIGHTS = np.polynomial.legendre.leggauss(26)
# Below it no draw has any weight, and the quadrature would want more nodes. The whole norm stands still there: a count
# of g/k without bound would make the density grow without bound as the shape goes to zero.
SMALLEST_SHAPE = 0.7
STEP = 1e-4


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
class AgeEvidence:
    """What the ages of ``standing`` (in the target's kinds and covariates) add, to a power ``weight``."""

    standing: Standing
    weight: float

    @property
    def kind(self) -> IntArray:
        return self.standing.kind

    def parts(self, a: FloatArray, m: FloatArray, beta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """log mu at z = 1 and g / k of each row, for S vectors: a, m (S, K), beta (S, P) -> (n, S) each."""
        log_mu, count = np.empty((len(self.kind), len(a))), np.empty((len(self.kind), len(a)))
        for kind in np.unique(self.kind):
            rows, shape = self.kind == kind, np.maximum(np.exp(a[:, kind]), SMALLEST_SHAPE)
            place = m[:, kind] - (LOG_LN2 + self.standing.x_usual[rows] @ beta.T) / shape
            q = self.standing.removals_per_year * np.exp(np.clip(place, -20, 20))
            norm, mean = norm_and_mean(q, shape)
            log_mu[rows], count[rows] = place + norm, np.clip(1 - q * mean, 0.02, 1.0) / shape
        return log_mu, count

    def at(self, theta: FloatArray, kinds: int, buildings: int) -> tuple[FloatArray, FloatArray]:
        """Constant (S,) and what joins the buildings' counts of failures (B, S)."""
        log_mu, count = self.parts(theta[:, :kinds], theta[:, kinds : 2 * kinds], theta[:, 2 * kinds : -1])
        extra = np.zeros((buildings, len(theta)))
        np.add.at(extra, self.standing.building, self.weight * count)
        return -self.weight * log_mu.sum(axis=0), extra

    def slopes(self, theta: FloatArray, kinds: int, buildings: int) -> tuple[FloatArray, FloatArray]:
        """Derivative of both by theta at one vector, by central differences: (p,), (B, p)."""
        size = len(theta)
        around = np.concatenate([theta + STEP * np.eye(size), theta - STEP * np.eye(size)])
        constant, extra = self.at(around, kinds, buildings)
        up, down = slice(0, size), slice(size, None)
        return (constant[up] - constant[down]) / (2 * STEP), (extra[:, up] - extra[:, down]) / (2 * STEP)
