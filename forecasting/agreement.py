"""Do the ages at which heaters were found standing agree with what failed since?  If not, they are not heard."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from forecasting import hazard
from forecasting.episodes import FloatArray
from forecasting.target import Target

# Two-sided: rarer numbers of failures speak against the ages. Set between what simulated fleets show where the ages are
# sound (chances spread evenly) and where a hidden policy made them (all at or below 0.01); judgement.
LEAST_CHANCE = 0.015


def ages_alone(plain: Target, aged: Target) -> Target:
    """The target that knows the ages found standing, and nothing of what happened since."""
    return replace(
        aged, exact=aged.exact[len(plain.exact) :], mixed=(), failures=np.zeros(len(plain.failures))
    )


def chance_of_record(
    plain: Target, alone: Target, heard: FloatArray, exposure: FloatArray, generator: np.random.Generator
) -> float:
    """Two-sided chance of the failures on record, or rarer, if the ages alone were right about lives.

    A predictive check (Box 1980, Journal of the Royal Statistical Society A 143:383-430): ``heard`` are draws
    (D, p) of the fit to the ages alone and ``exposure`` (B, D) its exposure; each draw forecasts the record.
    """
    c = 1 / hazard.dispersion_of(heard[:, -1])
    z = generator.standard_gamma(c + alone.counts(heard)[1]) / (c + exposure)
    expected = (z * plain.many(heard)[1]).sum(axis=0)
    # An absurd draw overflows: it foretells far more than any record holds.
    forecast = generator.poisson(np.minimum(np.nan_to_num(expected, nan=1e9), 1e9))
    seen = plain.failures.sum()
    return float(min(1.0, 2 * min(np.mean(forecast <= seen), np.mean(forecast >= seen))))
