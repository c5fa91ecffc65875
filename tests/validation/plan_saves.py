"""What plans save on simulated fleets whose truth is known: each way is followed through the true law.

    python -m tests.validation.plan_saves --fleets 12 --sizes 100 450 --records 3 10

The plan is chosen from the fit of the fleet's own record and never sees the truth. A planned replacement costs
2,500; what an emergency costs is given (invented). Thirty years are counted; successors, and what a plan does not
reach in its ten years, are renewed at the best age that the same fit gives for each place. Prints the cost a heater
and year, and the saving against running to failure and against replacing at age 12. Age 12 happens to be near the
best single age of these fleets when an emergency costs twice a planned replacement.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecasting.episodes import build_episodes, future_states
from forecasting.lifetimes import load_prior
from forecasting.options import new_unit_curves, plan_options
from forecasting.policy import Limits, capped_plan, long_run_cost, sorted_plan
from forecasting.posterior import fit
from tests.validation.simulator import (
    STEP,
    TODAY,
    Fleet,
    Heaters,
    care,
    fail_chance,
    log_rate,
    make_fleet,
    rod_life,
)

PLANNED = 2500.0
PLAN_YEARS, YEARS, PATHS = 10, 30, 40
CAP_SHARE = 0.06  # of all heaters' planned price, a year
Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Way:
    """Year of each place's planned replacement (-1 none), and the age at which a place is renewed: successors from
    now on, today's heaters from a year on (inf: never)."""

    year: npt.NDArray[np.int64]
    age: Array
    age_from_year: float


def true_cost(fleet: Fleet, way: Way, emergency: float, seed: int) -> tuple[float, float]:
    """Money a heater and year, and emergencies a heater and year, over the coming years under the true law."""
    generator = np.random.default_rng([seed, 77])
    n = len(fleet.places.kind)
    heaters = Heaters(
        *(
            getattr(fleet.heaters, f)[:, None] * np.ones((1, PATHS))
            for f in ("installed", "anode_from", "anode_life")
        )
    )
    fixed = log_rate(fleet.truth, fleet.places)
    replaced = np.zeros((n, PATHS), dtype=bool)
    failures = planned = 0
    for step in range(round(YEARS / STEP)):
        now, year = TODAY + step * STEP, step * STEP
        care(fleet.truth, fleet.places, heaters, now, generator, None)
        fails = generator.random((n, PATHS)) < fail_chance(
            fleet.truth, fleet.places, heaters, now, fixed, STEP
        )
        # Planned work falls in the middle of its year, on the heaters that are still those of today.
        due = np.zeros_like(fails)
        if step % 12 == 6:
            due |= (way.year == int(year))[:, None] & ~replaced
        old = now - heaters.installed >= way.age[:, None]
        due |= old if year >= way.age_from_year else old & replaced
        due &= ~fails
        out = fails | due
        failures += int(fails.sum())
        planned += int(due.sum())
        replaced |= out
        heaters.installed = np.where(out, now + STEP / 2, heaters.installed)
        heaters.anode_from = np.where(out, now + STEP / 2, heaters.anode_from)
        heaters.anode_life[out] = rod_life(fleet.truth, (int(out.sum()),), generator)
    lived = n * PATHS * YEARS
    return (failures * emergency + planned * PLANNED) / lived, failures / lived


def ways_of(fleet: Fleet, emergency: float, draws: int, seed: int) -> dict[str, Way]:
    """The ways, the plans among them chosen from the record alone."""
    kinds = tuple(sorted(set(fleet.records.heaters["kind"])))
    episodes = build_episodes(fleet.records, kinds)
    posterior = fit(episodes, load_prior(kinds, episodes.covariates), draws, seed)
    states = future_states(fleet.records, posterior.kinds, posterior.buildings, PLAN_YEARS + 1)
    n = len(states.heater_ids)
    prices = np.full(n, PLANNED), np.full(n, emergency)
    building = fleet.places.building[states.position_id - 1]
    options = plan_options(
        posterior, states, building, *prices, np.arange(PLAN_YEARS + 1.0), np.arange(len(kinds))
    )
    limits = Limits(np.full(PLAN_YEARS, CAP_SHARE * n * PLANNED))
    age = (states.age_nodes * states.age_weights).sum(axis=1)
    fresh = new_unit_curves(posterior, states, np.arange(len(kinds)))
    tail = np.empty(n)
    tail[states.position_id - 1] = long_run_cost(fresh, *prices)[1]

    def way(period: npt.NDArray[np.int64]) -> Way:
        year = np.full(n, -1)
        year[states.position_id - 1] = period
        return Way(year, tail, float(PLAN_YEARS))

    never = np.full(n, np.inf)
    nothing = np.full(n, -1)
    return {
        "run to failure": Way(nothing, never, np.inf),
        "replace at age 12": Way(nothing, np.full(n, 12.0), 0.0),
        "sorted by age, capped": way(sorted_plan(options.choices, limits, age).period),
        "plan, capped": way(capped_plan(options.choices, limits).period),
        "plan, no cap": way(capped_plan(options.choices, Limits()).period),
    }


def report(
    size: int, record_years: float, emergency: float, fleets: int, draws: int, first_seed: int
) -> None:
    rows: dict[str, list[tuple[float, float]]] = {}
    for seed in range(first_seed, first_seed + fleets):
        fleet = make_fleet(size, record_years, seed)
        for name, way in ways_of(fleet, emergency, draws, seed).items():
            rows.setdefault(name, []).append(true_cost(fleet, way, emergency, seed))
    money = {name: np.array([cost for cost, _ in found]) for name, found in rows.items()}
    print(
        f"\n{size} recorded heaters, {record_years:g} years of record, {fleets} fleets, an emergency costs {emergency:,.0f}"
    )
    print(
        f"{'way':<24}{'a heater-year':>14}{'emergencies':>13}{'vs failure':>12}{'vs age 12':>11}{'better in':>11}"
    )
    for name, found in money.items():
        emergencies = np.mean([e for _, e in rows[name]])
        against = [1 - found / money[other] for other in ("run to failure", "replace at age 12")]
        wins = int(((against[0] > 0) & (against[1] > 0)).sum())
        print(
            f"{name:<24}{found.mean():>14.1f}{emergencies:>13.4f}{against[0].mean():>11.1%} {against[1].mean():>10.1%} "
            f"{wins:>6}/{fleets}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fleets", type=int, default=12)
    parser.add_argument("--sizes", type=int, nargs="+", default=[100, 450])
    parser.add_argument("--records", type=float, nargs="+", default=[3.0, 10.0])
    parser.add_argument("--emergency", type=float, nargs="+", default=[5500.0, 4000.0])
    parser.add_argument("--draws", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    began = time.perf_counter()
    for size in asked.sizes:
        for record_years in asked.records:
            for emergency in asked.emergency:
                report(size, record_years, emergency, asked.fleets, asked.draws, asked.seed)
    print(f"\n{time.perf_counter() - began:.0f} s; invented fleets, seeds {asked.seed} and up")


if __name__ == "__main__":
    main()
