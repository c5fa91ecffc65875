"""The chance of loss at the quoted price when the law is known: pricing against an independent simulator.

    python -m tests.validation.contract_known --portfolios 5 --lives 400

Parameters are taken as certain on both sides (no anodes, water or set points at work), so that what differs is the
arithmetic of pricing alone.  Each portfolio is priced for a 10 % chance of loss and then lived through many times.
"""

from __future__ import annotations

import argparse
from copy import deepcopy
from dataclasses import replace

import numpy as np

from forecasting.contract import Care, Clauses, Rates, cost_paths, quote
from forecasting.contract_futures import contract_futures
from forecasting.episodes import COVARIATES, future_states
from forecasting.posterior import Diagnostics, Posterior
from forecasting.repairs import RepairLaw
from tests.validation.contract_prices import (
    CALL,
    CARE_HOURS,
    CARE_PARTS,
    CHANCE,
    GROWTH,
    HOUR,
    REPAIR_HOURS,
    REPAIR_PARTS,
    REPLACEMENT,
    REPLACEMENT_HOURS,
    SHARE,
    SPREAD,
    TIMES,
    TRIP,
    TRIP_HOURS,
    YEARS,
    RepairTruth,
    live_through,
)
from tests.validation.simulator import KINDS, TODAY, Truth, make_fleet


def known(seed: int, size: int, lives: int, paths: int) -> tuple[float, float, float]:
    """Chance of loss as quoted and as lived, and the lived mean against the priced one."""
    generator = np.random.default_rng([seed, 43])
    truth = Truth(anode_spent=0.0, hardness=0.0, setpoint=0.0)
    fleet = make_fleet(size, 10.0, seed, truth)
    law = RepairTruth(generator)
    buildings = len(np.unique(fleet.places.building))
    first = np.unique(fleet.places.building, return_index=True)[1]
    posterior = Posterior(
        KINDS, COVARIATES, tuple(range(1, buildings + 1)), np.log([truth.shape]), np.log([truth.scale]),
        np.zeros((1, len(COVARIATES))), np.array([truth.dispersion]), fleet.places.multiplier[first][None],
        np.zeros(buildings, np.int64), np.ones((1, buildings)),
        Diagnostics(0.0, 1.0, "known", True, 0, {}, (), np.zeros(2)), 0, "known",
    )  # fmt: skip
    states = future_states(fleet.records, KINDS, posterior.buildings, YEARS)
    place = states.position_id - 1
    ages = np.maximum(TODAY - fleet.heaters.installed, 0)[place]
    nodes = np.repeat(ages[:, None], states.age_nodes.shape[1], axis=1)
    sure = np.zeros_like(states.age_weights)
    sure[:, 0] = 1.0
    states = replace(states, age_nodes=nodes, age_weights=sure, x=np.zeros_like(states.x))
    leaning = law.leaning(len(fleet.places.kind), generator)
    certain = 1e9
    own = {int(h): certain * float(leaning[p]) for h, p in zip(states.heater_ids, place, strict=True)}
    repairs = RepairLaw(
        KINDS, law.level[None], law.shape[None], law.dispersion, own, dict.fromkeys(own, certain), {}
    )
    futures = contract_futures(posterior, states, repairs, YEARS, paths, seed)
    n = len(states.heater_ids)
    one, every = np.ones(n), np.ones(n, dtype=bool)
    rates = Rates(
        HOUR, TIMES, TRIP, TRIP_HOURS, REPAIR_HOURS * one, REPAIR_PARTS * one, SPREAD, CALL,
        REPLACEMENT * one, REPLACEMENT_HOURS * one, GROWTH, 0.015, 1e9,
    )  # fmt: skip
    clauses = Clauses("replacement", YEARS, SHARE, 0.03, every, every)
    costs = cost_paths(
        futures, Care(states.building, 60 * CARE_HOURS * one, CARE_PARTS * one, one), rates, clauses
    )
    asked = quote(costs, clauses, 0.0, CHANCE)
    real = np.array(
        [live_through(deepcopy(fleet), law, leaning.copy(), YEARS, generator) for _ in range(lives)]
    )
    at = asked.for_chance * asked.revenue / asked.price
    return (
        float((costs.total > at).mean()),
        float((real > at).mean()),
        float(real.mean() / costs.total.mean() - 1),
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--portfolios", type=int, default=5)
    parser.add_argument("--size", type=int, default=100)
    parser.add_argument("--lives", type=int, default=400)
    parser.add_argument("--paths", type=int, default=4000)
    asked = parser.parse_args()
    rows = [known(1 + i, asked.size, asked.lives, asked.paths) for i in range(asked.portfolios)]
    for number, (quoted, lived, mean) in enumerate(rows, start=1):
        print(
            f"portfolio {number}: quoted {100 * quoted:.1f} %, lived {100 * lived:.1f} %, mean {100 * mean:+.1f} %"
        )
    total = asked.portfolios * asked.lives
    lived = float(np.mean([row[1] for row in rows]))
    error = np.sqrt(CHANCE * (1 - CHANCE) / total + CHANCE * (1 - CHANCE) / (asked.portfolios * asked.paths))
    print(
        f"together: quoted {100 * CHANCE:.0f} %, lived {100 * lived:.1f} % (Monte Carlo error {100 * error:.1f})"
    )


if __name__ == "__main__":
    main()
