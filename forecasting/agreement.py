"""How far the ages at which heaters were found standing are believed: of lives, of buildings only, or not at all."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from forecasting import hazard
from forecasting.climbing import Top, climb
from forecasting.episodes import FloatArray
from forecasting.exploring import Steps, explore
from forecasting.recurrence import ages_found
from forecasting.standing import Standing
from forecasting.target import Target

# Ages are heard as evidence on lives up to here: beyond it a record need not lean on how heaters were renewed before
# anyone kept records.
MOST_FAILURES_FOR_AGES, MOST_ROWS_FOR_AGES = 2_000, 30_000
# Two-sided: rarer numbers of failures speak against the ages. Set between what simulated fleets show where the ages are
# sound (chances spread evenly) and where a hidden policy made them (all at or below 0.01); judgement.
LEAST_CHANCE = 0.015

# Log of the odds, seven to one, at which the record is taken to speak against ages that tell only of buildings
# (judgement). Kept whether the record is for them or says little, they gain on every kind of invented fleet tried.
AGAINST = -2.0


def hear_ages(
    record: Target,
    top: Top,
    standing: Standing | None,
    draws: int,
    generator: np.random.Generator,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[Target, Top, str]:
    """The record's target with as much of the ages as is believed, its mode, and words on it where lives are concerned.

    In buildings known to be old they are heard as evidence on lives, unless the record since is not what they would
    have foretold: then they are left out.  Where nothing can be heard so, they tell only of the buildings, unless the
    record speaks against that, or has no failure to speak with.
    """
    if standing is None:
        return record, top, ""
    few = record.failures.sum() <= MOST_FAILURES_FOR_AGES
    if standing.old.any() and few and record.n_rows + len(standing.age) <= MOST_ROWS_FOR_AGES:
        aged = replace(record, ages=ages_found(standing, len(record.failures), True))
        alone, count = ages_alone(aged), int(standing.old.sum())
        foretold = explore(alone, climb(alone, alone.start), draws, generator, Steps(None, cancelled))
        chance = chance_of_record(record, alone, foretold.theta, foretold.exposure, generator)
        if chance < LEAST_CHANCE:
            return (
                record,
                top,
                f"The ages of {count} heaters found standing when the record began do not agree with what failed "
                "since: they were left out.",
            )
        return (
            aged,
            climb(aged, top.point.theta),
            f"The ages of {count} heaters found standing in old buildings when the record began were heard too.",
        )
    if not record.failures.any():
        return record, top, ""
    weighed = replace(record, ages=ages_found(standing, len(record.failures), False))
    other = climb(weighed, top.point.theta)
    agrees = _log_evidence(other) - _log_evidence(top) > AGAINST
    return (weighed, other, "") if agrees else (record, top, "")


def _log_evidence(top: Top) -> float:
    """Laplace's approximation, up to a constant that targets of one size share."""
    return top.point.value + float(np.log(np.diag(top.root)).sum())


def ages_alone(aged: Target) -> Target:
    """The target that knows the ages found standing, and nothing of what happened since."""
    return replace(aged, exact=(), mixed=(), failures=np.zeros(len(aged.failures)))


def chance_of_record(
    record: Target, alone: Target, heard: FloatArray, exposure: FloatArray, generator: np.random.Generator
) -> float:
    """Two-sided chance of the failures on record, or rarer, if the ages alone were right about lives.

    A predictive check (Box 1980, Journal of the Royal Statistical Society A 143:383-430): ``heard`` are draws
    (D, p) of the fit to the ages alone and ``exposure`` (B, D) its exposure; each draw forecasts the record.
    """
    c = 1 / hazard.dispersion_of(heard[:, -1])
    z = generator.standard_gamma(c + alone.counts(heard)) / (c + exposure)
    expected = (z * record.many(heard)[1]).sum(axis=0)
    # An absurd draw overflows: it foretells far more than any record holds.
    forecast = generator.poisson(np.minimum(np.nan_to_num(expected, nan=1e9), 1e9))
    seen = record.failures.sum()
    return float(min(1.0, 2 * min(np.mean(forecast <= seen), np.mean(forecast >= seen))))
