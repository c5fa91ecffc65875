"""Fitting: episodes and priors in, draws of all parameters out.

The mode is found by damped Newton steps; a Student proposal built there is weighted by importance sampling
(Pareto-smoothed; k-hat says how good the weights are), joined by proposals from its own weighted moments if need
be, and replaced by adaptive Metropolis chains when importance sampling is not to be trusted.  Building
multipliers are drawn from their Gamma law given the parameters, so the draws are joint.

Kinds and covariates on which the record says nothing are drawn from the prior, kinds through what the
others say of the common part.  With very many rows the weights are computed on a sample of rows corrected
to second order at the mode (``thinning``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from forecasting import hazard
from forecasting.agreement import Answer, answers
from forecasting.climbing import climb, root_of
from forecasting.episodes import BoolArray, Episodes, FloatArray, IntArray
from forecasting.exploring import FitCancelled, Sample, Steps, explore
from forecasting.standing import Standing
from forecasting.target import Target, build_target
from forecasting.thinning import ThinnedTarget, thin

if TYPE_CHECKING:
    from forecasting.lifetimes import Prior

__all__ = ["VERSION", "Diagnostics", "FitCancelled", "Posterior", "fit"]

VERSION = "6"
THINNED_ROWS = 8_000
# At most this many rows are used whole in the importance weights: more where failures are few, since then the
# draws spread far from the mode, to which a sample of rows is tied.
EXACT_ROWS, EXACT_ROWS_FEW_FAILURES, FEW_FAILURES = 15_000, 60_000, 200
ROUGH_ROWS = 40_000


@dataclass(frozen=True)
class Diagnostics:
    """How far the draws can be trusted, and how much the record rather than the prior speaks in them."""

    k_hat: float  # Pareto shape of the importance weights; below 0.7 the importance draws are sound
    effective_draws: float
    method: str  # 'importance' | 'sampler'
    converged: bool
    events_total: int
    events_by_kind: dict[str, int]
    messages: tuple[str, ...]
    prior_weight: FloatArray  # (K,) posterior sd / prior sd of each kind's log median life; 1 = prior alone


@dataclass(frozen=True)
class Posterior:
    """Joint draws.  Hazard at age a, draw d: z[d,b] k/lam (a/lam)^(k-1) exp(x @ beta[d]), per year."""

    kinds: tuple[str, ...]
    covariates: tuple[str, ...]
    buildings: tuple[int, ...]
    log_shape: FloatArray  # (D, K)
    log_scale: FloatArray  # (D, K), scale in years
    beta: FloatArray  # (D, P)
    dispersion: FloatArray  # (D,) variance v of the building multiplier
    z: FloatArray  # (D, B) building multipliers, mean 1 before the data
    building_failures: IntArray  # (B,)
    building_exposure: FloatArray  # (D, B) expected failures at multiplier 1
    diagnostics: Diagnostics
    seed: int
    version: str
    # Yearly rate of other removals than failures in the law of the ages found standing; None: they told nothing here.
    removals_per_year: float | None = None
    hears_ages: BoolArray | None = (
        None  # (D,) draws that go by those ages; None: all of them, if they told anything
    )

    def new_building_multipliers(self, count: int, generator: np.random.Generator) -> FloatArray:
        """Multipliers (D, count) of buildings the fit has not seen: Gamma with mean 1 and variance v."""
        c = 1 / self.dispersion[:, None]
        return np.asarray(generator.standard_gamma(np.broadcast_to(c, (len(c), count))) / c)


def fit(
    episodes: Episodes,
    prior: Prior,
    draws: int = 1000,
    seed: int = 0,
    progress: Callable[[float, str], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Posterior:
    """Posterior draws for the lifetime model; the same inputs and seed give the same bits.

    ``prior.kinds`` may hold more kinds than the record; every one of them gets draws.  Raises ValueError when
    the record has a kind or a covariate without a prior, FitCancelled when ``cancelled()`` turns true.
    """
    if draws < 1:
        raise ValueError(f"draws must be at least 1, got {draws}")
    steps, generator = Steps(progress, cancelled), np.random.default_rng(seed)
    steps.at(0.0, "Preparing the record")
    active, kind_rows, columns = _active_part(episodes, prior)
    target = build_target(active, prior, kind_rows, columns)
    steps.at(0.1, "Finding the most likely parameters")
    start = target.start
    if len(active.heater) > 4 * ROUGH_ROWS:
        stride = np.arange(0, len(active.heater), len(active.heater) // ROUGH_ROWS)
        rough = build_target(_rows_of(active, stride), prior, kind_rows, columns)
        start = climb(rough, start).point.theta
    top = climb(target, start, lambda turn: steps.at(0.1 + 0.3 * turn / (turn + 5), "Finding the mode"))
    steps.at(0.4, "Hearing the ages found standing")
    heard, words = answers(target, top, _standing_in(episodes, columns))
    steps.at(0.5, "Weighing the draws")
    first = round(heard[0].share * draws)
    counts = zip(heard, (first, draws - first), strict=False)
    parts = [_drawn(one, count, generator, steps) for one, count in counts if count]
    steps.at(0.95, "Drawing buildings")
    return _assemble(episodes, prior, kind_rows, columns, _shuffled(parts, generator), words, seed, generator)


def _active_part(episodes: Episodes, prior: Prior) -> tuple[Episodes, IntArray, IntArray]:
    """Episodes recounted in the kinds and covariates on which the record says something."""
    unknown = [kind for kind in episodes.kinds if kind not in prior.kinds]
    if unknown:
        raise ValueError(f"No prior for the kind(s) {', '.join(unknown)}; add rows to the lifetimes table.")
    missing = [name for name in episodes.covariates if name not in prior.covariates]
    if missing:
        raise ValueError(
            f"No prior for the covariate(s) {', '.join(missing)}; add rows to the effects table."
        )
    if not np.all(np.isfinite(episodes.x)):
        raise ValueError("Covariates must be finite; give 0 (typical) where a state is unknown.")
    if np.any(~(episodes.exit_age > episodes.entry_age)) or np.any(episodes.entry_age < 0):
        raise ValueError("Every episode needs 0 <= entry_age < exit_age.")
    seen = np.flatnonzero(np.bincount(episodes.kind, minlength=len(episodes.kinds)))
    varied = np.flatnonzero(np.any(episodes.x != 0, axis=0)) if len(episodes.x) else np.zeros(0, np.int64)
    place = np.zeros(len(episodes.kinds), dtype=np.int64)
    place[seen] = np.arange(len(seen))
    kind_rows = np.array([prior.kinds.index(episodes.kinds[i]) for i in seen], dtype=np.int64)
    columns = np.array([prior.covariates.index(episodes.covariates[j]) for j in varied], dtype=np.int64)
    x = episodes.x if len(varied) == episodes.x.shape[1] else episodes.x[:, varied]
    return replace(episodes, kind=place[episodes.kind], x=x), kind_rows, columns


def _rows_of(episodes: Episodes, rows: IntArray) -> Episodes:
    names = ("heater", "kind", "building", "entry_age", "exit_age", "event", "interval_lower", "x", "node")
    picked = {name: getattr(episodes, name)[rows] for name in names}
    return replace(episodes, node_log_weight=episodes.node_log_weight[rows], **picked)


def _rows_kept(target: Target) -> int:
    return EXACT_ROWS if target.failures.sum() >= FEW_FAILURES else EXACT_ROWS_FEW_FAILURES


@dataclass(frozen=True)
class _Found:
    """Draws from one answer, or from two in their shares."""

    target: Target
    sample: Sample
    mode_found: bool
    counts: FloatArray  # (D, B) failures with what ages add to them
    hears_ages: BoolArray  # (D,)


def _drawn(answer: Answer, count: int, generator: np.random.Generator, steps: Steps) -> _Found:
    target = answer.target
    surface: Target | ThinnedTarget = target
    if target.n_rows > _rows_kept(target):
        surface = thin(target, answer.top.point, THINNED_ROWS)
    sample = explore(surface, answer.top, count, generator, steps)
    # Weights on the whole record make up for a mode that is a little off; on a sample of rows they do not.
    mode_found = answer.top.converged or target.n_rows <= _rows_kept(target)
    heard = np.full(len(sample.theta), target.ages is not None)
    return _Found(target, sample, mode_found, target.counts(sample.theta).T, heard)


def _shuffled(parts: list[_Found], generator: np.random.Generator) -> _Found:
    """Draws of all parts in random order; how far they can be trusted is that of the worst."""
    if len(parts) == 1:
        return parts[0]
    samples = [part.sample for part in parts]
    order = generator.permutation(sum(len(sample.theta) for sample in samples))
    sample = Sample(
        theta=np.concatenate([sample.theta for sample in samples])[order],
        exposure=np.concatenate([sample.exposure for sample in samples], axis=1)[:, order],
        k_hat=max(sample.k_hat for sample in samples),
        effective=sum(sample.effective for sample in samples),
        method=max(sample.method for sample in samples),  # 'sampler' if any is
        sound=all(sample.sound for sample in samples),
    )
    return _Found(
        target=parts[0].target,
        sample=sample,
        mode_found=all(part.mode_found for part in parts),
        counts=np.concatenate([part.counts for part in parts])[order],
        hears_ages=np.concatenate([part.hears_ages for part in parts])[order],
    )


def _standing_in(episodes: Episodes, columns: IntArray) -> Standing | None:
    """The heaters found standing, in the kinds and covariates of the target."""
    standing = episodes.standing
    if standing is None or standing.by_plan:
        return None
    seen = np.unique(episodes.kind)
    keep = np.flatnonzero(np.isin(standing.kind, seen))
    if not len(keep):
        return None
    return replace(
        standing,
        kind=np.searchsorted(seen, standing.kind[keep]),
        building=standing.building[keep],
        age=standing.age[keep],
        x=standing.x[keep][:, columns],
        x_usual=standing.x_usual[keep][:, columns],
        x_tilt=standing.x_tilt[keep][:, columns],
        old=standing.old[keep],
    )


def _assemble(
    episodes: Episodes,
    prior: Prior,
    kind_rows: IntArray,
    columns: IntArray,
    found: _Found,
    ages: str,
    seed: int,
    generator: np.random.Generator,
) -> Posterior:
    target, sample = found.target, found.sample
    told = target.ages
    k, draws = len(kind_rows), len(sample.theta)
    log_shape = _with_unseen_kinds(
        sample.theta[:, :k], kind_rows, prior.log_shape_mean, prior.log_shape_covariance(), generator
    )
    log_median = _with_unseen_kinds(
        sample.theta[:, k : 2 * k], kind_rows, prior.log_median_mean, prior.log_median_covariance(), generator
    )
    beta = prior.beta_mean + prior.beta_sd * generator.standard_normal((draws, len(prior.covariates)))
    beta[:, columns] = sample.theta[:, 2 * k : -1]
    dispersion = hazard.dispersion_of(sample.theta[:, -1])
    exposure = np.ascontiguousarray(sample.exposure.T)
    c = 1 / dispersion[:, None]
    z = generator.standard_gamma(c + found.counts) / (c + exposure)
    return Posterior(
        kinds=prior.kinds,
        covariates=prior.covariates,
        buildings=episodes.buildings,
        log_shape=log_shape,
        log_scale=log_median - hazard.LOG_LN2 * np.exp(-log_shape),
        beta=beta,
        dispersion=dispersion,
        z=np.maximum(z, 1e-12),
        building_failures=target.failures.astype(np.int64),
        building_exposure=exposure,
        diagnostics=_diagnose(episodes, prior, found, ages, log_median),
        seed=seed,
        version=VERSION,
        removals_per_year=None if told is None else told.standing.removals_per_year,
        hears_ages=None if told is None or found.hears_ages.all() else found.hears_ages,
    )


def _with_unseen_kinds(
    drawn: FloatArray,
    seen: IntArray,
    mean: FloatArray,
    covariance: FloatArray,
    generator: np.random.Generator,
) -> FloatArray:
    """Draws (D, K) for all kinds: the unseen ones from the Gaussian prior given the seen ones."""
    out = np.empty((len(drawn), len(mean)))
    out[:, seen] = drawn
    unseen = np.setdiff1d(np.arange(len(mean)), seen)
    if len(unseen):
        cross = covariance[np.ix_(unseen, seen)]
        gain = cross @ np.linalg.inv(covariance[np.ix_(seen, seen)]) if len(seen) else cross
        left = covariance[np.ix_(unseen, unseen)] - gain @ cross.T
        noise = generator.standard_normal((len(drawn), len(unseen))) @ root_of(left).T
        out[:, unseen] = mean[unseen] + (drawn - mean[seen]) @ gain.T + noise
    return out


def _diagnose(
    episodes: Episodes, prior: Prior, found: _Found, ages: str, log_median: FloatArray
) -> Diagnostics:
    target, sample = found.target, found.sample
    failed = np.zeros(len(episodes.heater_ids), dtype=bool)
    failed[episodes.heater[episodes.event]] = True
    kind_of = np.zeros(len(episodes.heater_ids), dtype=np.int64)
    kind_of[episodes.heater] = episodes.kind
    counts = np.bincount(kind_of[failed], minlength=len(episodes.kinds))
    total = int(target.failures.sum())
    messages = [ages] if ages else []
    if not len(episodes.heater):
        messages.append("No heater has been observed: every number is the published prior.")
    elif total == 0:
        messages.append("No failure is on record: the answer leans on the published lifetimes.")
    elif total < 10:
        messages.append(f"Only {total} failure(s) on record: the answer leans on the published lifetimes.")
    if sample.method == "sampler":
        messages.append("Importance sampling was not reliable here; a slower sampler was used instead.")
    if not sample.sound:
        messages.append("The sampler's chains had not fully mixed: treat the spread as rough.")
    converged = sample.sound and found.mode_found
    if sample.sound and not converged:
        messages.append("The search for the most likely parameters stopped early: treat the answer as rough.")
    sd = log_median.std(axis=0) if len(log_median) > 1 else prior.log_median_sd
    return Diagnostics(
        k_hat=sample.k_hat,
        effective_draws=sample.effective,
        method=sample.method,
        converged=converged,
        events_total=total,
        events_by_kind={kind: int(n) for kind, n in zip(episodes.kinds, counts, strict=True)},
        messages=tuple(messages),
        prior_weight=np.asarray(sd / prior.log_median_sd),
    )
