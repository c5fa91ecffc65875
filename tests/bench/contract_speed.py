"""How long a portfolio takes to price, and how long to try another scope afterwards.

    python -m tests.bench.contract_speed --heaters 2000

Fit, futures and price are timed apart; each figure is the middle of three.
"""

from __future__ import annotations

import argparse
import time
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np

from forecasting.contract import Care, Clauses, Rates, cost_paths, heater_prices, quote
from forecasting.contract_futures import contract_futures
from forecasting.episodes import COVARIATES, build_episodes, future_states
from forecasting.lifetimes import load_prior
from forecasting.posterior import fit
from forecasting.repairs import fit_repairs, load_repair_prior, repair_history
from tests.validation.simulator import KINDS, make_fleet

YEARS = 5


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """Seconds by the clock, the middle of three; on a busy machine the processor's own seconds say more."""
    times, answer = [], None
    for _ in range(3):
        began, busy = time.perf_counter(), time.process_time()
        answer = work()
        times.append((time.perf_counter() - began, time.process_time() - busy))
    middle = sorted(times)[1]
    print(f"  clock {middle[0]:.2f} s, processor {middle[1]:.2f} s")
    return middle[0], answer


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--heaters", type=int, default=2000)
    parser.add_argument("--paths", type=int, default=500)
    asked = parser.parse_args()
    warnings.simplefilter("ignore")
    records = make_fleet(round(asked.heaters * (1 + 10 / 13)), 10.0, 1).records
    prior = load_prior(KINDS, COVARIATES)
    fitting, posterior = timed(lambda: fit(build_episodes(records, KINDS), prior, 1000, 1))
    law = fit_repairs(repair_history(records, KINDS), KINDS, load_repair_prior(KINDS), 1000, 1)
    states = future_states(records, KINDS, posterior.buildings, YEARS + 1)
    n = len(states.heater_ids)
    looking, futures = timed(lambda: contract_futures(posterior, states, law, YEARS, asked.paths, 1))
    one, every = np.ones(n), np.ones(n, dtype=bool)
    rates = Rates(95, 1.5, 35, 0.75, 1.5 * one, 140 * one, 0.6, 1, 1800 * one, 5 * one)
    care = Care(states.building, 100 * one, 10 * one, one)
    clauses = Clauses("replacement", YEARS, 0.29, 0.03, every, every, 200_000.0)

    def price() -> None:
        costs = cost_paths(futures, care, rates, clauses)
        heater_prices(futures, care, rates, clauses, costs, quote(costs, clauses, 0.2, 0.1))

    pricing, _ = timed(price)
    print(f"{n} heaters, {YEARS} years, {asked.paths} paths (seconds, middle of three)")
    print(f"fit of the record   {fitting:6.2f}")
    print(f"futures             {looking:6.2f}")
    print(f"price, all heaters  {pricing:6.2f}")
    print(f"priced after a fit  {looking + pricing:6.2f}   (asked: under 5)")
    print(f"another scope       {pricing:6.2f}   (asked: under 1)")


if __name__ == "__main__":
    main()
