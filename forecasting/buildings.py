"""Multipliers of buildings given the parameters, each from its own record alone.

Given the parameters, buildings know nothing of one another. So a fit on some of a very large fleet serves all of it:
the parameters come from the sample, each building's multiplier from what that building has seen.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from forecasting import hazard
from forecasting.episodes import Episodes, FloatArray
from forecasting.posterior import Posterior
from forecasting.recurrence import ages_found
from forecasting.risk import pick_draws
from forecasting.target import build_target

if TYPE_CHECKING:
    from forecasting.lifetimes import Prior


def thinned(posterior: Posterior, most: int) -> Posterior:
    """At most ``most`` of the draws, evenly spaced, without any building's multiplier."""
    draws = pick_draws(posterior, most)
    return replace(
        posterior,
        buildings=(),
        hears_ages=None if posterior.hears_ages is None else posterior.hears_ages[draws],
        log_shape=posterior.log_shape[draws],
        log_scale=posterior.log_scale[draws],
        beta=posterior.beta[draws],
        dispersion=posterior.dispersion[draws],
        z=np.zeros((len(draws), 0)),
        building_failures=np.zeros(0, dtype=np.int64),
        building_exposure=np.zeros((len(draws), 0)),
    )


def with_buildings(posterior: Posterior, episodes: Episodes, prior: Prior) -> Posterior:
    """The same parameters with the multipliers of the buildings of ``episodes``, drawn given what the fit heard.

    ``episodes`` must count in the posterior's kinds.  A building's draws hang on the posterior's seed, its own
    number and its own record, so they are the same in whatever company it is looked at.
    """
    if episodes.kinds != posterior.kinds or prior.kinds != posterior.kinds:
        raise ValueError("episodes, prior and posterior must count in the same kinds")
    kinds, covariates = np.arange(len(prior.kinds)), np.arange(len(prior.covariates))
    target = build_target(episodes, prior, kinds, covariates)
    if posterior.removals_per_year is not None and episodes.standing is not None:
        # The rate is the whole fleet's, as the fit knew it; the rest of what is used is each building's own.
        standing = replace(episodes.standing, removals_per_year=posterior.removals_per_year)
        target = replace(target, ages=ages_found(standing, len(episodes.buildings), False))
    c, vectors = 1 / posterior.dispersion[:, None], _vectors(posterior)
    exposure, counts = np.ascontiguousarray(target.many(vectors)[1].T), target.counts(vectors)
    if posterior.hears_ages is not None and target.ages is not None:
        deaf, vectors = ~posterior.hears_ages, vectors[~posterior.hears_ages]
        alone = replace(target, ages=None)
        exposure[deaf], counts[:, deaf] = alone.many(vectors)[1].T, alone.counts(vectors)
    drawn = np.empty_like(exposure)
    for place, number in enumerate(episodes.buildings):
        generator = np.random.default_rng([abs(posterior.seed), 7010, abs(int(number))])
        drawn[:, place] = generator.standard_gamma(c[:, 0] + counts[place])
    return replace(
        posterior,
        buildings=episodes.buildings,
        z=np.maximum(drawn / (c + exposure), 1e-12),
        building_failures=target.failures.astype(np.int64),
        building_exposure=exposure,
    )


def _vectors(posterior: Posterior) -> FloatArray:
    """The draws as the parameter vectors that a target reads."""
    log_median = posterior.log_scale + hazard.LOG_LN2 * np.exp(-posterior.log_shape)
    eta = np.array([hazard.eta_of(float(value)) for value in posterior.dispersion])
    return np.column_stack([posterior.log_shape, log_median, posterior.beta, eta])
