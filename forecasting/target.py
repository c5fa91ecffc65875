"""The density that a fit explores: prior times likelihood, for one parameter vector or many at once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import digamma, expit, polygamma

from forecasting import hazard, mixtures
from forecasting.episodes import Episodes, FloatArray, IntArray
from forecasting.recurrence import AgeEvidence
from forecasting.standing import Standing

if TYPE_CHECKING:
    from forecasting.lifetimes import Prior

# Fixed-point rounds for the multipliers about which mixtures are linearised: for many vectors at once, and for one,
# where the gradient is right only once they stand still.
MULTIPLIER_ROUNDS, MULTIPLIER_ROUNDS_SINGLE = 3, 15


@dataclass(frozen=True)
class PriorTerms:
    """Gaussian prior of the active parameters (all but the dispersion), and the dispersion's own."""

    mean: FloatArray
    precision: FloatArray
    log_v_mean: float
    log_v_sd: float

    def at(self, theta: FloatArray) -> FloatArray:
        """Log density, up to a constant, at S vectors (S, p)."""
        off = theta[:, :-1] - self.mean
        eta, place = theta[:, -1], expit(theta[:, -1])
        away = (np.log(hazard.dispersion_of(eta)) - self.log_v_mean) / self.log_v_sd
        with np.errstate(divide="ignore"):
            jacobian = np.log(place) + np.log1p(-place)
        return np.asarray(
            -0.5 * np.einsum("si,ij,sj->s", off, self.precision, off) - 0.5 * away**2 + jacobian
        )

    def derivatives(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Gradient (p,) and Hessian (p, p) at one vector."""
        size = len(theta)
        gradient, hessian = np.zeros(size), np.zeros((size, size))
        gradient[:-1] = -self.precision @ (theta[:-1] - self.mean)
        hessian[:-1, :-1] = -self.precision
        place = float(expit(theta[-1]))
        slope = hazard._LOG_WIDTH * place * (1 - place)
        away = (float(np.log(hazard.dispersion_of(theta[-1]))) - self.log_v_mean) / self.log_v_sd**2
        gradient[-1] = -away * slope + 1 - 2 * place
        hessian[-1, -1] = (
            -(slope**2) / self.log_v_sd**2 - away * slope * (1 - 2 * place) - 2 * place * (1 - place)
        )
        return gradient, hessian


@dataclass(frozen=True)
class Point:
    """Value, gradient and Hessian of the log density at one vector, with the buildings' exposure there."""

    theta: FloatArray
    value: float
    gradient: FloatArray
    hessian: FloatArray
    exposure: FloatArray  # (B,)


@dataclass(frozen=True)
class Target:
    """Log posterior density of the active parameters [a (K), m (K), beta (P), eta]."""

    n_kinds: int
    n_covariates: int
    exact: tuple[hazard.KindBlock, ...]
    mixed: tuple[mixtures.MixtureBlock, ...]
    failures: FloatArray  # (B,)
    prior: PriorTerms
    ages: AgeEvidence | None = (
        None  # ages at which heaters were found standing; their exposure is in ``exact``
    )

    @property
    def size(self) -> int:
        return 2 * self.n_kinds + self.n_covariates + 1

    @property
    def n_rows(self) -> int:
        return sum(len(b.rows) for b in self.exact) + sum(len(b.rows) for b in self.mixed)

    def _index(self, kind: int) -> IntArray:
        """Places of (a, m, beta) of one kind in the parameter vector."""
        k = self.n_kinds
        return np.concatenate([[kind, k + kind], np.arange(2 * k, 2 * k + self.n_covariates)]).astype(
            np.int64
        )

    def many(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Log density (S,) and exposure of the buildings (B, S) at S vectors (S, p); never NaN."""
        batch = max(1, 2_000_000 // max(self.n_rows, 1))
        parts = [self._some(theta[low : low + batch]) for low in range(0, len(theta), batch)]
        return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts], axis=1)

    def _some(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        k, s = self.n_kinds, len(theta)
        beta = theta[:, 2 * k : -1]
        with np.errstate(over="ignore", invalid="ignore"):
            exposure, value = np.zeros((len(self.failures), s)), self.prior.at(theta)
            for block in self.exact:
                a, m = theta[:, block.kind], theta[:, k + block.kind]
                exposure[block.building] += hazard.block_exposure(block, a, m, beta)
                value += hazard.failure_terms(block, a, m, beta)
            return self._finish(theta, value, exposure)

    def _finish(
        self, theta: FloatArray, value: FloatArray, exposure: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Add the mixtures and the buildings to what the exact rows gave."""
        k, beta, c = self.n_kinds, theta[:, 2 * self.n_kinds : -1], 1 / hazard.dispersion_of(theta[:, -1])
        lives = [mixtures.lives_at(b, theta[:, b.kind], theta[:, k + b.kind], beta) for b in self.mixed]
        of_ages, counts = self.counts(theta)
        constant, exposure = self._mix(lives, exposure, counts, c)
        value = value + of_ages + constant + hazard.building_terms(counts, exposure, c).sum(axis=0)
        return np.where(np.isfinite(value), value, -np.inf), exposure

    def counts(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Constant of the ages found (S,), and failures of the buildings with what the ages add to them (B, S)."""
        failures = np.repeat(self.failures[:, None], len(theta), axis=1)
        if self.ages is None:
            return np.zeros(len(theta)), failures
        constant, extra = self.ages.at(theta, self.n_kinds, len(self.failures))
        return constant, failures + extra

    def _mix(
        self, lives: list[mixtures.Lives], exposure: FloatArray, counts: FloatArray, c: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Constants of the mixtures (S,) and the buildings' whole exposure (B, S)."""
        constant, total = np.zeros(exposure.shape[1]), exposure
        if not lives:
            return constant, total
        z = hazard.building_multiplier(counts, exposure, c)
        for _ in range(MULTIPLIER_ROUNDS if exposure.shape[1] > 1 else MULTIPLIER_ROUNDS_SINGLE):
            z = np.clip(z, 1e-12, 1e12)
            constant, total = np.zeros(exposure.shape[1]), exposure.copy()
            for block, life in zip(self.mixed, lives, strict=True):
                z_heater = z[block.building]
                g, mean, _ = mixtures.mix(block, life, z_heater)
                constant += (g + z_heater * mean).sum(axis=0)
                np.add.at(total, block.building, mean)
            z = hazard.building_multiplier(counts, total, c)
        return constant, total

    def point(self, theta: FloatArray) -> Point:
        """Value and derivatives at one vector.  Values agree with ``many``."""
        k, one, beta = self.n_kinds, theta[None, :], theta[2 * self.n_kinds : -1]
        with np.errstate(over="ignore", invalid="ignore"):
            rows = [hazard.row_exposure(b.rows, theta[b.kind], theta[k + b.kind], beta) for b in self.exact]
            value, exposure = self.prior.at(one), np.zeros((len(self.failures), 1))
            for block, row in zip(self.exact, rows, strict=True):
                exposure[block.building, 0] += np.add.reduceat(row.e, block.starts)
                a, m = one[:, block.kind], one[:, k + block.kind]
                value += hazard.failure_terms(block, a, m, beta[None, :])
            value, exposure = self._finish(one, value, exposure)
            return self._derivatives(theta, float(value[0]), exposure[:, 0], rows)

    def _derivatives(
        self, theta: FloatArray, value: float, exposure: FloatArray, rows: list[hazard.Exposure]
    ) -> Point:
        k, beta = self.n_kinds, theta[2 * self.n_kinds : -1]
        c = 1 / float(hazard.dispersion_of(theta[-1]))
        counts = self.counts(theta[None, :])[1][:, 0]
        z = hazard.building_multiplier(counts, exposure, c)
        gradient, hessian = self.prior.derivatives(theta)
        slopes = np.zeros((len(self.failures), self.size))  # of each building's exposure
        for block, row in zip(self.exact, rows, strict=True):
            a, m, index = theta[block.kind], theta[k + block.kind], self._index(block.kind)
            shape = float(np.exp(a))
            by_stretch = hazard.gradient_sums(block.rows, row, block.starts, shape)
            slopes[np.ix_(block.building, index)] += by_stretch
            first, second = hazard.failure_derivatives(block, a, m)
            gradient[index] += first - z[block.building] @ by_stretch
            per_row = np.repeat(z[block.building], np.diff(np.append(block.starts, len(block.rows))))
            hessian[np.ix_(index, index)] += second - hazard.curvature_sum(block.rows, row, per_row, shape)
        for mixed in self.mixed:
            a, m, index = theta[mixed.kind], theta[k + mixed.kind], self._index(mixed.kind)
            z_heater = np.clip(z[mixed.building], 1e-12, 1e12)
            first, second, mean_slope = mixtures.mixture_derivatives(mixed, a, m, beta, z_heater)
            gradient[index] += first
            hessian[np.ix_(index, index)] += second
            np.add.at(slopes, (mixed.building[:, None], index[None, :]), mean_slope)
        hessian += slopes.T @ (slopes * (z / (c + exposure))[:, None])
        if self.ages is not None:
            self._age_derivatives(self.ages, theta, counts, exposure, slopes, gradient, hessian)
        first_eta, second_eta, cross = hazard.dispersion_derivatives(counts, exposure, theta[-1])
        gradient[-1] += first_eta
        hessian[-1, -1] += second_eta
        hessian[-1, :-1] += slopes[:, :-1].T @ cross
        hessian[:-1, -1] += slopes[:, :-1].T @ cross
        return Point(theta, value, gradient, hessian, exposure)

    def _age_derivatives(
        self,
        ages: AgeEvidence,
        theta: FloatArray,
        counts: FloatArray,
        exposure: FloatArray,
        slopes: FloatArray,
        gradient: FloatArray,
        hessian: FloatArray,
    ) -> None:
        """Add what the ages found do beyond their exposure. The curvature of their norm is left out: it is slight,
        and the Hessian only shapes the step and the proposal."""
        c = 1 / float(hazard.dispersion_of(theta[-1]))
        constant, extra = ages.slopes(theta, self.n_kinds, len(self.failures))
        gradient += constant + (digamma(c + counts) - np.log(c + exposure)) @ extra
        across = extra.T @ (slopes / (c + exposure)[:, None])
        hessian += extra.T @ (extra * polygamma(1, c + counts)[:, None]) - across - across.T


def with_ages(target: Target, standing: Standing, weight: float) -> Target:
    """The target with the ages at which heaters were found standing as further evidence, to a power ``weight``.

    ``standing`` must count in the target's kinds and hold its covariates.
    """
    blocks = []
    for kind in np.unique(standing.kind):
        rows = np.flatnonzero(standing.kind == kind)
        rows = rows[np.argsort(standing.building[rows], kind="stable")]
        blocks.append(
            hazard.exposure_block(
                int(kind), standing.building[rows], standing.age[rows], standing.x[rows], weight
            )
        )
    return replace(target, exact=(*target.exact, *blocks), ages=AgeEvidence(standing, weight))


def build_target(
    episodes: Episodes, prior: Prior, kind_rows: IntArray, covariate_columns: IntArray
) -> Target:
    """Target over the chosen kinds (indices into ``prior.kinds``) and covariates (into ``prior.covariates``).

    ``episodes.kind`` must already count in the chosen kinds and ``episodes.x`` hold the chosen columns.
    """
    k, p = len(kind_rows), len(covariate_columns)
    mixture = mixtures.needs_mixture(episodes)
    n_buildings = len(episodes.buildings)
    exact = hazard.exact_blocks(episodes, np.flatnonzero(~mixture), p)
    mixed = mixtures.mixture_blocks(episodes, np.flatnonzero(mixture)) if mixture.any() else ()
    simple_events = episodes.building[episodes.event & ~mixture]
    failures = np.bincount(simple_events, minlength=n_buildings).astype(float)
    for block in mixed:
        np.add.at(failures, block.building, block.failures)
    precision = np.zeros((2 * k + p, 2 * k + p))
    pick = np.ix_(kind_rows, kind_rows)
    precision[:k, :k] = np.linalg.inv(prior.log_shape_covariance()[pick])
    precision[k : 2 * k, k : 2 * k] = np.linalg.inv(prior.log_median_covariance()[pick])
    precision[2 * k :, 2 * k :] = np.diag(1 / prior.beta_sd[covariate_columns] ** 2)
    mean = np.concatenate(
        [
            prior.log_shape_mean[kind_rows],
            prior.log_median_mean[kind_rows],
            prior.beta_mean[covariate_columns],
        ]
    )
    terms = PriorTerms(mean, precision, float(np.log(prior.dispersion_median)), prior.dispersion_log_sd)
    return Target(k, p, exact, mixed, failures, terms)
