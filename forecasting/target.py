"""The density that a fit explores: prior times likelihood, for one parameter vector or many at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import digamma, expit, polygamma

from forecasting import hazard, mixtures
from forecasting.episodes import Episodes, FloatArray, IntArray
from forecasting.recurrence import AgesFound

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
    """Value, gradient and Hessian of the log density at one vector, and the buildings' exposure there, as in ``many``."""

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
    ages: AgesFound | None = None  # ages at which heaters were found standing

    @property
    def size(self) -> int:
        return 2 * self.n_kinds + self.n_covariates + 1

    @property
    def n_rows(self) -> int:
        of_ages = sum(len(b.rows) for b in self.ages.blocks) if self.ages is not None else 0
        return sum(len(b.rows) for b in self.exact) + sum(len(b.rows) for b in self.mixed) + of_ages

    @property
    def start(self) -> FloatArray:
        """The centre of the prior, from which a climb may set out."""
        return np.append(self.prior.mean, hazard.eta_of(float(np.exp(self.prior.log_v_mean))))

    def _index(self, kind: int) -> IntArray:
        """Places of (a, m, beta) of one kind in the parameter vector."""
        k = self.n_kinds
        return np.concatenate([[kind, k + kind], np.arange(2 * k, 2 * k + self.n_covariates)]).astype(
            np.int64
        )

    def many(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Log density (S,) and exposure of the buildings (B, S), that of the ages found in it, at S vectors (S, p).

        The density is never NaN.
        """
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
        """Add the ages found, the mixtures and the buildings to what the exact rows gave."""
        k, beta, c = self.n_kinds, theta[:, 2 * self.n_kinds : -1], 1 / hazard.dispersion_of(theta[:, -1])
        lives = [mixtures.lives_at(b, theta[:, b.kind], theta[:, k + b.kind], beta) for b in self.mixed]
        counts = self.counts(theta)
        if self.ages is not None:
            of_ages = self.ages.exposure(theta)
            exposure = exposure + of_ages
            unheard, before = ~self.ages.heard, counts - self.failures[:, None]
            value = value + self.ages.constant(theta)
            value = value - hazard.building_terms(before[unheard], of_ages[unheard], c).sum(axis=0)
        constant, exposure = self._mix(lives, exposure, counts, c)
        value = value + constant + hazard.building_terms(counts, exposure, c).sum(axis=0)
        return np.where(np.isfinite(value), value, -np.inf), exposure

    def counts(self, theta: FloatArray) -> FloatArray:
        """Failures of the buildings with what the ages found add to them (B, S)."""
        failures = np.repeat(self.failures[:, None], len(theta), axis=1)
        return failures if self.ages is None else np.asarray(failures + self.ages.count(theta))

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
        counts = self.counts(theta[None, :])[:, 0]
        z = hazard.building_multiplier(counts, exposure, c)
        gradient, hessian = self.prior.derivatives(theta)
        slopes = np.zeros((len(self.failures), self.size))  # of each building's exposure
        for block, row in zip(self.exact, rows, strict=True):
            index = self._index(block.kind)
            first, second = hazard.failure_derivatives(block, theta[block.kind], theta[k + block.kind])
            gradient[index] += first
            hessian[np.ix_(index, index)] += second
            self._stretches(block, row, theta, z, (gradient, hessian, slopes))
        for mixed in self.mixed:
            a, m, index = theta[mixed.kind], theta[k + mixed.kind], self._index(mixed.kind)
            z_heater = np.clip(z[mixed.building], 1e-12, 1e12)
            first, second, mean_slope = mixtures.mixture_derivatives(mixed, a, m, beta, z_heater)
            gradient[index] += first
            hessian[np.ix_(index, index)] += second
            np.add.at(slopes, (mixed.building[:, None], index[None, :]), mean_slope)
        count_slopes = None
        if self.ages is not None:
            count_slopes = self._age_derivatives(self.ages, theta, z, counts, (gradient, hessian, slopes))
        _add_buildings(theta, counts, exposure, count_slopes, (gradient, hessian, slopes))
        return Point(theta, value, gradient, hessian, exposure)

    def _stretches(
        self, block: hazard.KindBlock, row: hazard.Exposure, theta: FloatArray, z: FloatArray, sums: Sums
    ) -> None:
        """Add the exposure of a block, weighted by the multipliers, and its slopes."""
        gradient, hessian, slopes = sums
        index, shape = self._index(block.kind), float(np.exp(theta[block.kind]))
        by_stretch = hazard.gradient_sums(block.rows, row, block.starts, shape)
        slopes[np.ix_(block.building, index)] += by_stretch
        gradient[index] -= z[block.building] @ by_stretch
        per_row = np.repeat(z[block.building], np.diff(np.append(block.starts, len(block.rows))))
        hessian[np.ix_(index, index)] -= hazard.curvature_sum(block.rows, row, per_row, shape)

    def _age_derivatives(
        self, ages: AgesFound, theta: FloatArray, z: FloatArray, counts: FloatArray, sums: Sums
    ) -> FloatArray:
        """Add what the ages found do beyond their part in the buildings' factors; slopes of their counts (B, p)."""
        gradient, hessian, slopes = sums
        k, c = self.n_kinds, 1 / float(hazard.dispersion_of(theta[-1]))
        constant, count_slopes = ages.slopes(theta)
        gradient += constant
        before = np.where(ages.heard, 0.0, counts - self.failures)
        of_ages = np.where(ages.heard, 0.0, ages.exposure(theta[None, :])[:, 0])
        z_before = np.where(ages.heard, 0.0, hazard.building_multiplier(before, of_ages, c))
        # Where effects are hardly known the curvature of the norm is most of what there is.
        bearing = digamma(c + counts) - np.log((c + counts) / z)
        bearing -= np.where(ages.heard, 0.0, digamma(c + before) - np.log(c + of_ages))
        hessian += ages.bends(theta, bearing)
        own = np.zeros_like(slopes)
        for block in ages.blocks:
            beta = theta[2 * k : -1]
            row = hazard.row_exposure(block.rows, theta[block.kind], theta[k + block.kind], beta)
            self._stretches(block, row, theta, z - z_before, (gradient, hessian, own))
        slopes += own
        unheard = ~ages.heard[:, None]
        less = (np.zeros_like(gradient), np.zeros_like(hessian), own * unheard)
        _add_buildings(theta, before, of_ages, count_slopes * unheard, less)
        gradient -= less[0]
        hessian -= less[1]
        return count_slopes


Sums = tuple[
    FloatArray, FloatArray, FloatArray
]  # gradient (p,), Hessian (p, p), slopes of the exposure (B, p)


def _add_buildings(
    theta: FloatArray, counts: FloatArray, exposure: FloatArray, count_slopes: FloatArray | None, sums: Sums
) -> None:
    """Add the buildings' factors but for what their exposure does in the first order, which its rows have added."""
    gradient, hessian, slopes = sums
    c = 1 / float(hazard.dispersion_of(theta[-1]))
    z = hazard.building_multiplier(counts, exposure, c)
    hessian += slopes.T @ (slopes * (z / (c + exposure))[:, None])
    if count_slopes is not None:
        gradient += (digamma(c + counts) - np.log(c + exposure)) @ count_slopes
        across = count_slopes.T @ (slopes / (c + exposure)[:, None])
        bend = polygamma(1, c + counts)
        hessian += count_slopes.T @ (count_slopes * bend[:, None]) - across - across.T
        of_eta = count_slopes[:, :-1].T @ (bend - 1 / (c + exposure)) * hazard.concentration_slope(theta[-1])
        hessian[-1, :-1] += of_eta
        hessian[:-1, -1] += of_eta
    first_eta, second_eta, cross = hazard.dispersion_derivatives(counts, exposure, theta[-1])
    gradient[-1] += first_eta
    hessian[-1, -1] += second_eta
    hessian[-1, :-1] += slopes[:, :-1].T @ cross
    hessian[:-1, -1] += slopes[:, :-1].T @ cross


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
