"""What a forecaster of the engine's form could reach: its parameters at their best, or only its prior centred there.

The simulator's law is not quite of the engine's form (rods of a sharper life, no scale), so the truth has no exact
place among the engine's parameters.  Their best place is what fits to large fleets find.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forecasting.buildings import with_buildings
from forecasting.episodes import Episodes, build_episodes
from forecasting.hazard import LOG_LN2
from forecasting.lifetimes import Prior
from forecasting.posterior import Posterior, fit
from tests.validation.simulator import KINDS, Truth, make_fleet

LARGE, FLEETS, FIRST_SEED = 12_000, 3, 9001


def centred(prior: Prior, law: Truth) -> Prior:
    """The prior, as wide as it is, about the best place for this law."""
    found = []
    for seed in range(FIRST_SEED, FIRST_SEED + FLEETS):
        large = fit(build_episodes(make_fleet(LARGE, 10.0, seed, law).records, KINDS), prior, 500, seed)
        log_median = large.log_scale + LOG_LN2 * np.exp(-large.log_shape)
        drawn = large.log_shape, log_median, large.beta, np.log(large.dispersion)
        found.append([values.mean(axis=0) for values in drawn])
    shape, median, beta, dispersion = (np.mean(values, axis=0) for values in zip(*found, strict=True))
    return replace(
        prior,
        log_shape_mean=shape,
        log_median_mean=median,
        beta_mean=beta,
        dispersion_median=float(np.exp(dispersion)),
    )


def at_centre(posterior: Posterior, episodes: Episodes, prior: Prior) -> Posterior:
    """Draws like those of ``posterior``, but of the buildings alone: every parameter stands at the prior's centre."""
    draws = len(posterior.dispersion)
    log_scale = prior.log_median_mean - LOG_LN2 * np.exp(-prior.log_shape_mean)
    places = prior.log_shape_mean, log_scale, prior.beta_mean, np.array(prior.dispersion_median)
    shape, scale, beta, dispersion = (np.repeat(place[None], draws, axis=0) for place in places)
    fixed = replace(posterior, log_shape=shape, log_scale=scale, beta=beta, dispersion=dispersion)
    return with_buildings(fixed, episodes, prior)
