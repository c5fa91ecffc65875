"""Speed of the risk list and of the replacement plan, each with its baseline in the same run.

python -m tests.bench.plan_speed
python -m tests.bench.plan_speed --quick
"""

from __future__ import annotations

import argparse
import resource
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from forecasting.episodes import FutureStates
from forecasting.posterior import Posterior
from forecasting.renewal import Prices, replacement_streams
from forecasting.risk import failure_probabilities
from tests.forecasting.made_up import invented_posterior, invented_states

YEARS = 30
PRICES = Prices(np.array([1500.0, 1400.0]), np.array([2600.0, 2400.0]), 0.03, 0.01)


@dataclass(frozen=True)
class Took:
    """Wall clock and processor seconds; the latter, halved, is what two idle cores would need."""

    wall: float
    processor: float

    def __str__(self) -> str:
        return f"{self.wall:.2f} s ({self.processor:.2f} s of processor)"


def seconds(work: Callable[[], object]) -> Took:
    wall, processor = time.perf_counter(), time.process_time()
    work()
    return Took(time.perf_counter() - wall, time.process_time() - processor)


def plain_numpy_list(posterior: Posterior, states: FutureStates) -> np.ndarray:
    """The same chances written the obvious way, one draw after another, in double precision."""
    answer = np.empty((len(states.heater_ids), len(posterior.dispersion), 4))
    edges = states.age_nodes[:, :1] + np.arange(YEARS + 1)
    for draw in range(len(posterior.dispersion)):
        shape = np.exp(posterior.log_shape[draw, states.kind])[:, None]
        scale = np.exp(posterior.log_scale[draw, states.kind])[:, None]
        rate = posterior.z[draw, states.building][:, None] * np.exp(states.x @ posterior.beta[draw])
        survival = np.exp(-np.cumsum(rate * np.diff((edges / scale) ** shape, axis=1), axis=1))
        answer[:, draw] = 1 - survival[:, [0, 4, 9, 29]]
    return answer


def naive_plan(posterior: Posterior, states: FutureStates, paths: int) -> np.ndarray:
    """Heater by heater, year by year, one random number each; successors start at age 0."""
    generator = np.random.default_rng(1)
    totals = np.zeros(paths)
    for path in range(paths):
        draw = path % len(posterior.dispersion)
        shape = np.exp(posterior.log_shape[draw, states.kind])
        scale = np.exp(posterior.log_scale[draw, states.kind])
        rate = posterior.z[draw, states.building] * np.exp(states.x[:, 0] @ posterior.beta[draw])
        age = states.age_nodes[:, 0].copy()
        for _ in range(YEARS):
            chance = -np.expm1(rate * ((age / scale) ** shape - ((age + 1) / scale) ** shape))
            failed = generator.random(len(age)) < chance
            totals[path] += failed.sum()
            age = np.where(failed, 0.5, age + 1)
    return totals


def states_of(count: int, still: bool) -> FutureStates:
    states = invented_states(count, YEARS if not still else 1, 500, vague=False)
    states = replace(states, building=np.arange(count) % 500)
    if still:
        states = replace(states, x=np.broadcast_to(states.x, (count, YEARS, states.x.shape[2])))
    return states


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    listed = 10_000 if quick else 100_000
    posterior = invented_posterior(draws=200, buildings=500)
    states = states_of(listed, still=False)
    ours = seconds(lambda: failure_probabilities(posterior, states, (1, 5, 10, YEARS), 200))
    plain = seconds(lambda: plain_numpy_list(posterior, states))
    print(f"risk list {listed} heaters x {YEARS} years x 200 draws: {ours}, plain NumPy {plain}")
    posterior = invented_posterior(draws=1000, buildings=500)
    for count in (10_000, 100_000) if quick else (10_000, 100_000, 1_000_000):
        fleet = states_of(count, still=True)
        for years in (10, YEARS):
            took = seconds(
                lambda fleet=fleet, years=years: replacement_streams(
                    posterior, fleet, np.arange(years + 1.0), fleet.property_id, 4, PRICES, np.array([0, 1])
                )  # type: ignore[misc]
            )
            print(f"plan of {count} heaters x {years} years x 1000 joint paths: {took}", end="")
            print(f", peak {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024} MiB")
        few = max(1, 2_000_000 // count)
        naive = seconds(lambda fleet=fleet, few=few: naive_plan(posterior, fleet, few))  # type: ignore[misc]
        naive = Took(naive.wall / few * 1000, naive.processor / few * 1000)
        print(f"  heater by heater, 1000 paths of {YEARS} years: {naive} (from {few} paths)")


if __name__ == "__main__":
    main()
