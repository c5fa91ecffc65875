"""What learning the law costs at the least: the information about it in the record.

    python -m tests.validation.learning --sizes 450 2500 --records 3

Who is told the law errs because buildings and rods are hidden (``told``).  Who has to learn it errs besides: by no
less, in variance, than g' (n I + P)^-1 g (the inequality of Cramer and Rao; with a prior of precision P that of
van Trees, both from memory, not verified).  I is the information of one building's record, the mean of the outer
products of its scores under the simulator's own law; n counts the buildings; g is the slope of the log of the
expected ten-year total; P is the engine's shipped prior, centred on the truth.  To be learned: shapes, scales, the
effects of a spent rod, of hardness and of the set point, and how far buildings differ.  The lives of rods, care
and the rate of planned removals are still told.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.special import logsumexp

from forecasting.episodes import COVARIATES
from forecasting.lifetimes import load_prior
from tests.validation.simulator import KINDS, Array, Fleet, Truth, make_fleet
from tests.validation.told import know, of_building, told_paths

NAMES = ("shape", "shape", "scale", "scale", "anode_spent", "hardness", "setpoint", "dispersion")
STEPS = np.array([0.12, 0.12, 0.08, 0.08, 0.25, 0.12, 0.12, 0.5])
HISTORIES, PATHS, YEARS = 150, 200, 10
LARGE = 2500


def moved(law: Truth, by: Array) -> Truth:
    """The law with its parameters moved: logs of shapes, scales and dispersion, effects as they are."""
    return replace(
        law,
        shape=(law.shape[0] * np.exp(by[0]), law.shape[1] * np.exp(by[1])),
        scale=(law.scale[0] * np.exp(by[2]), law.scale[1] * np.exp(by[3])),
        anode_spent=law.anode_spent + by[4],
        hardness=law.hardness + by[5],
        setpoint=law.setpoint + by[6],
        dispersion=law.dispersion * np.exp(by[7]),
    )


def slopes(value: Callable[[Truth], Array], law: Truth) -> Array:
    """Central differences of a value by each parameter, stacked along the last axis."""
    columns = []
    for step in np.diag(STEPS):
        columns.append((value(moved(law, step)) - value(moved(law, -step))) / (2 * step.sum()))
    return np.stack(columns, axis=-1)


def log_likelihoods(fleet: Fleet, law: Truth, seed: int) -> Array:
    """Of each building's record (B,); rods and births are drawn alike for every law."""
    known = know(fleet, law)
    buildings = np.unique(known.places.building).tolist()
    return np.array(
        [
            logsumexp(of_building(known, b, HISTORIES, np.random.default_rng([seed, 97, b]))[0])
            for b in buildings
        ]
    )


def prior_precision() -> Array:
    """Of the engine's shipped prior, in the order of ``NAMES``; its medians stand for scales."""
    prior = load_prior(KINDS, COVARIATES)
    precision = np.zeros((8, 8))
    precision[:2, :2] = np.linalg.inv(prior.log_shape_covariance())
    precision[2:4, 2:4] = np.linalg.inv(prior.log_median_covariance())
    effects = [prior.beta_sd[COVARIATES.index(name)] for name in NAMES[4:7]]
    precision[range(4, 8), range(4, 8)] = 1 / np.array([*effects, prior.dispersion_log_sd]) ** 2
    return precision


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="+", default=[450, 2500])
    parser.add_argument("--records", type=float, nargs="+", default=[3.0, 10.0])
    parser.add_argument("--seed", type=int, default=8001)
    asked = parser.parse_args()
    law, precision = Truth(), prior_precision()
    for record_years in asked.records:
        fleet = make_fleet(LARGE, record_years, asked.seed, law)
        scores = slopes(lambda at, fleet=fleet: log_likelihoods(fleet, at, asked.seed), law)  # type: ignore[misc]
        information = scores.T @ scores / len(scores)
        other = make_fleet(LARGE // 4, record_years, asked.seed + 1, law)
        slope = slopes(
            lambda at, other=other: np.log(told_paths(other, YEARS, PATHS, asked.seed, at).sum() / PATHS),  # type: ignore[misc]
            law,
        )
        print(f"{record_years:g} years: slope of the log total", np.round(slope, 3))
        print("mean score over its error", np.round(scores.mean(0) / scores.std(0) * len(scores) ** 0.5, 1))
        for size in asked.sizes:
            buildings = len(np.unique(make_fleet(size, record_years, asked.seed, law).places.building))
            alone, aided = (
                100 * float(np.sqrt(slope @ np.linalg.solve(buildings * information + p, slope)))
                for p in (np.zeros((8, 8)), precision)
            )
            print(
                f"{size} heaters, {record_years:g} years, {buildings} buildings: learning adds at least {alone:.2f} % "
                f"(standard deviation of the expected total), {aided:.2f} % with a prior as wide as shipped",
                flush=True,
            )


if __name__ == "__main__":
    main()
