"""The likelihood of the ages at which heaters were found standing (``standing``), given the model's parameters.

A heater of age a, rate r = exp(x . beta), in a building with multiplier z has density

    exp(-rho a) exp(-z r H(a)) / mu,   mu = integral of exp(-rho u) exp(-z r H(u)) du,

rho the rate of other removals.  With a scale ``lam_i = lam r^(-1/k)`` the norm at z = 1 is ``lam_i M(rho lam_i, k)``,
``M(q, k) = integral of exp(-q u - u^k) du``, and in z it goes as ``z^(-g/k)`` with ``g = 1 - q E[u]`` (exact for
rho = 0, linear in log z else; taken at the rate of a typical heater of the kind).  So the ages of a building are
``z^G exp(-z A)`` in its multiplier, G the sum of g/k and A the sum of r H(a): the Gamma form stays.

Where covariates move with age, r is the mean rate of a life up to its age, and in the norm r moves with u: as
``(u / 10)^(tilt . beta)``, which is another Weibull of shape ``k + tilt . beta`` (``Standing.x_tilt``).

Where the ages are evidence on lives their density joins the likelihood: G the building's failures, A its exposure, and
mu a constant.  Elsewhere they still tell one building from another: in one that is hard on heaters those found
standing are young.  A fit deaf to that takes the old ones it meets for hardy, and the shape comes out low.  There the
record L(z) is weighed with the multiplier drawn given the ages, their law divided by its mean over multipliers,

    integral of L(z) z^G exp(-z A) dGamma(z; c, c)  /  integral of z^G exp(-z A) dGamma(z; c, c),

in which mu cancels: the building's factor with D + G failures and E + A exposure over that with G and A.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from forecasting import hazard
from forecasting.episodes import BoolArray, FloatArray, IntArray
from forecasting.hazard import LOG_LN2
from forecasting.standing import USUAL_AGE, Standing

NODES, WEIGHTS = np.polynomial.legendre.leggauss(26)
STEEPEST = 80.0  # fall over the reach that these nodes still integrate
# Below it no draw has any weight, and the quadrature would want more nodes. The whole norm stands still there: a count
# of g/k without bound would make the density grow without bound as the shape goes to zero.
SMALLEST_SHAPE = 0.7
STEP, BEND_STEP = 1e-4, 1e-2
# The log of the norm is smooth in the log of the scale: between the shortest and the longest scale of many heaters it is
# as good as a polynomial (to 1e-6 for scales a factor of seven apart), which costs a tenth.
POLYNOMIAL, WIDEST = 9, 6.0
# And in the log of the shape, between the least and the largest of many buildings.
POLYNOMIAL_SHAPES, WIDEST_SHAPES = 5, 1.2
LOG_USUAL_AGE = float(np.log(USUAL_AGE))


def _chebyshev(size: int) -> tuple[FloatArray, FloatArray]:
    """Places in (-1, 1), and the matrix from values there to coefficients."""
    places = np.polynomial.chebyshev.chebpts1(size)
    return np.asarray(places), np.asarray(np.linalg.inv(np.polynomial.chebyshev.chebvander(places, size - 1)))


_PLACES, _TO_COEFFICIENTS = _chebyshev(POLYNOMIAL)
_SHAPE_PLACES, _TO_SHAPE_COEFFICIENTS = _chebyshev(POLYNOMIAL_SHAPES)


def norm_and_mean(q: FloatArray, shape: FloatArray) -> tuple[FloatArray, FloatArray]:
    """log M(q, k) and E[u] under exp(-q u - u^k) / M, by quadrature up to where exp(-u^k) is 1e-13.

    ``shape`` may be smaller than ``q`` and is broadcast: powers are taken once a shape, only the plain exponential
    once an entry, unless one falls so fast that its nodes must stand closer.
    """
    shape = np.maximum(shape, SMALLEST_SHAPE)
    reach = 30.0 ** (1 / shape)
    if (q * reach).max(initial=0.0) > STEEPEST:
        reach = np.minimum(reach, 30.0 / np.maximum(q, 1e-9))
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
class Groups:
    """Those found of one kind in one building, (G,) each, in order of kind and building."""

    kind: IntArray
    building: IntArray
    count: IntArray
    tilt: FloatArray  # (G, P)
    rows: tuple[IntArray, ...]  # of the heaters


@dataclass(frozen=True)
class AgesFound:
    """What the ages of ``standing`` (in the target's kinds and covariates) say of the buildings and of lives."""

    standing: Standing
    blocks: tuple[hazard.KindBlock, ...]  # exposure from birth to the ages found
    groups: Groups
    heard: BoolArray  # (B,) their ages are evidence on lives too

    def exposure(self, theta: FloatArray) -> FloatArray:
        """A of each building (B, S) at S vectors (S, p)."""
        kinds, total = self._kinds(theta), np.zeros((len(self.heard), len(theta)))
        for block in self.blocks:
            a, m = theta[:, block.kind], theta[:, kinds + block.kind]
            total[block.building] += hazard.block_exposure(block, a, m, theta[:, 2 * kinds : -1])
        return total

    def _kinds(self, theta: FloatArray) -> int:
        return (int(theta.shape[1]) - 1 - int(self.groups.tilt.shape[1])) // 2

    def _shapes(self, theta: FloatArray, chosen: BoolArray) -> FloatArray:
        """Shape of the ages of some groups, (G, S)."""
        beta = theta[:, 2 * self._kinds(theta) : -1]
        plain = np.exp(theta[:, self.groups.kind[chosen]].T)
        return np.asarray(np.maximum(plain + self.groups.tilt[chosen] @ beta.T, SMALLEST_SHAPE))

    def count(self, theta: FloatArray) -> FloatArray:
        """G of each building (B, S)."""
        kinds, groups = self._kinds(theta), self.groups
        shape = np.maximum(np.exp(theta[:, :kinds].T), SMALLEST_SHAPE)
        q = self._removals(theta[:, kinds : 2 * kinds].T - LOG_LN2 / shape)
        power = np.clip(1 - q * norm_and_mean(q, shape)[1], 0.02, 1.0)
        total = np.zeros((len(self.heard), len(theta)))
        for kind in np.unique(groups.kind):
            chosen = groups.kind == kind
            each = groups.count[chosen][:, None] * power[kind] / self._shapes(theta, chosen)
            total[groups.building[chosen]] += each
        return total

    def constant(self, theta: FloatArray) -> FloatArray:
        """Minus the sum of log mu at z = 1 over the ages that are heard (S,)."""
        kinds, total, groups = self._kinds(theta), np.zeros(len(theta)), self.groups
        heard = self.heard[groups.building]
        for kind in np.unique(groups.kind[heard]):
            chosen = heard & (groups.kind == kind)
            shape, sizes = self._shapes(theta, chosen), groups.count[chosen]
            rows = np.concatenate([groups.rows[i] for i in np.flatnonzero(chosen)])
            linear = self.standing.x_usual[rows] @ theta[:, 2 * kinds : -1].T
            linear += LOG_LN2
            linear += np.maximum(np.exp(theta[:, kind]), SMALLEST_SHAPE) * (
                LOG_USUAL_AGE - theta[:, kinds + kind]
            )
            place = LOG_USUAL_AGE - linear / np.repeat(shape, sizes, axis=0)
            total -= place.sum(axis=0) + self._summed_norms(place, shape, sizes)
        return total

    def _summed_norms(self, log_scale: FloatArray, shape: FloatArray, sizes: IntArray) -> FloatArray:
        """Sum of log M over heaters (n, S) in groups of one shape (G, S)."""
        if len(log_scale) <= POLYNOMIAL * POLYNOMIAL_SHAPES:
            return self._norms_one_by_one(log_scale, shape, sizes)
        wide = np.ptp(log_scale, axis=0) > WIDEST
        wide |= np.ptp(np.log(shape), axis=0) > WIDEST_SHAPES
        if not wide.any():
            return self._norms_by_polynomial(log_scale, shape, sizes)
        total = np.empty(log_scale.shape[1])
        total[wide] = self._norms_one_by_one(log_scale[:, wide], shape[:, wide], sizes)
        total[~wide] = self._norms_by_polynomial(log_scale[:, ~wide], shape[:, ~wide], sizes)
        return total

    def _norms_one_by_one(self, log_scale: FloatArray, shape: FloatArray, sizes: IntArray) -> FloatArray:
        each = np.repeat(shape, sizes, axis=0)
        return np.asarray(norm_and_mean(self._removals(log_scale), each)[0].sum(axis=0))

    def _norms_by_polynomial(self, log_scale: FloatArray, shape: FloatArray, sizes: IntArray) -> FloatArray:
        """The same by polynomials between the least and the largest scale and shape."""
        middle, half, u = _between(log_scale)
        middle_shape, half_shape, v = _between(np.log(shape))
        at = self._removals(middle + half * _PLACES[:, None])
        at_shape = np.exp(middle_shape + half_shape * _SHAPE_PLACES[:, None])
        values = norm_and_mean(np.repeat(at[None], POLYNOMIAL_SHAPES, axis=0), at_shape[:, None])[0]
        coefficients = np.einsum("ab,cd,bds->cas", _TO_SHAPE_COEFFICIENTS, _TO_COEFFICIENTS, values)
        of_shape, starts = list(_polynomials(v, POLYNOMIAL_SHAPES)), np.cumsum(sizes) - sizes
        total = np.zeros(log_scale.shape[1])
        for own, power in zip(coefficients, _polynomials(u, POLYNOMIAL), strict=True):
            weight = sum(c * w for c, w in zip(own, of_shape, strict=True))
            total += (weight * np.add.reduceat(power, starts, axis=0)).sum(axis=0)
        return total

    def _removals(self, log_scale: FloatArray) -> FloatArray:
        return np.asarray(self.standing.removals_per_year * np.exp(np.clip(log_scale, -20, 20)))

    def slopes(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Derivative of the constant and of G by theta at one vector, by central differences: (p,), (B, p)."""
        size = len(theta)
        around = np.concatenate([theta + STEP * np.eye(size), theta - STEP * np.eye(size)])
        constant, count = self.constant(around), self.count(around)
        up, down = slice(0, size), slice(size, None)
        return (constant[up] - constant[down]) / (2 * STEP), (count[:, up] - count[:, down]) / (2 * STEP)

    def bends(self, theta: FloatArray, weight: FloatArray) -> FloatArray:
        """Second derivatives (p, p) of the constant and of the weighted sum of G (weights (B,)), by differences."""
        size = len(theta)
        first, second = np.triu_indices(size, 1)
        one = BEND_STEP * np.eye(size)
        two = one[first] + one[second]
        around = theta + np.concatenate([np.zeros((1, size)), one, -one, two, -two])
        value = self.constant(around) + weight @ self.count(around)
        up, down = value[1 : size + 1], value[size + 1 : 2 * size + 1]
        pairs = len(first)
        both = value[2 * size + 1 : 2 * size + 1 + pairs] + value[2 * size + 1 + pairs :]
        answer = np.diag(up + down - 2 * value[0])
        alone = up + down
        answer[first, second] = (both - alone[first] - alone[second] + 2 * value[0]) / 2
        answer[second, first] = answer[first, second]
        return np.asarray(answer / BEND_STEP**2)


def _between(values: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Middle and half width of the values of each column, and their places between -1 and 1."""
    low, high = values.min(axis=0), values.max(axis=0)
    middle, half = (low + high) / 2, np.maximum((high - low) / 2, 1e-9)
    return middle, half, (values - middle) / half


def _polynomials(u: FloatArray, count: int) -> Iterator[FloatArray]:
    """The first Chebyshev polynomials at u."""
    before, power = np.ones_like(u), u
    yield before
    for _ in range(1, count):
        yield power
        before, power = power, 2 * u * power - before


def ages_found(standing: Standing, buildings: int, hear: bool) -> AgesFound:
    """The ages of ``standing``; with ``hear``, those in buildings known to be old are evidence on lives."""
    blocks = []
    for kind in np.unique(standing.kind):
        rows = np.flatnonzero(standing.kind == kind)
        rows = rows[np.argsort(standing.building[rows], kind="stable")]
        blocks.append(
            hazard.exposure_block(int(kind), standing.building[rows], standing.age[rows], standing.x[rows])
        )
    heard = np.zeros(buildings, dtype=bool)
    heard[standing.building[standing.old]] = hear
    return AgesFound(standing, tuple(blocks), _groups(standing), heard)


def _groups(standing: Standing) -> Groups:
    order = np.lexsort((standing.building, standing.kind))
    kind, building = standing.kind[order], standing.building[order]
    starts = np.flatnonzero((np.diff(kind, prepend=-1) != 0) | (np.diff(building, prepend=-1) != 0))
    rows = tuple(np.split(order, starts[1:]))
    count = np.diff(np.append(starts, len(order)))
    return Groups(kind[starts], building[starts], count, standing.x_tilt[order[starts]], rows)
