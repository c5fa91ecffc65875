"""Contract prices against an independent simulator with known truth.

    python -m tests.validation.contract_prices --portfolios 200 --lives 6

Each portfolio has a law of its own: failures as in `simulator` (hidden anodes, buildings that differ), repairs by a
power law whose level and shape are drawn afresh, heater leanings included.  Its record is fitted and a three-year
contract with repairs and replacement is priced for a 10 % chance of loss.  Then the contract is lived through month
by month, with code of its own, and its cost is held against the priced distribution.  Living it several times from
the same day takes some of chance out of the answer; the standard errors are between portfolios.
"""

from __future__ import annotations

import argparse
import time
import warnings
from copy import deepcopy

import numpy as np
import numpy.typing as npt
import pandas as pd

from forecasting.contract import Care, Clauses, Rates, cost_paths, quote
from forecasting.contract_futures import contract_futures
from forecasting.episodes import COVARIATES, Records, build_episodes, future_states
from forecasting.lifetimes import load_prior
from forecasting.posterior import fit
from forecasting.repairs import fit_repairs, load_repair_prior, repair_history
from tests.validation.simulator import (
    KINDS,
    STEP,
    TODAY,
    Fleet,
    Truth,
    care,
    fail_chance,
    log_rate,
    make_fleet,
    rod_life,
)

YEARS = 3
HOUR, TIMES, SHARE, TRIP, TRIP_HOURS = 95.0, 1.5, 0.3, 30.0, 0.75
REPAIR_HOURS, REPAIR_PARTS, SPREAD, CALL = 1.5, 160.0, 0.6, 1.0
REPLACEMENT, REPLACEMENT_HOURS, GROWTH = 2400.0, 6.0, 0.03
CARE_HOURS, CARE_PARTS = 1.0, 12.0
CHANCE = 0.10
Array = npt.NDArray[np.float64]


class RepairTruth:
    """The law of repairs of one portfolio, drawn from what a company may believe before it looks."""

    def __init__(self, generator: np.random.Generator) -> None:
        prior = load_repair_prior(KINDS)
        self.level = prior.by_age_10 * generator.gamma(prior.events_worth) / prior.events_worth
        self.shape = prior.shape * np.exp(prior.shape_spread * generator.standard_normal(len(KINDS)))
        self.dispersion = prior.dispersion

    def leaning(self, count: int, generator: np.random.Generator) -> Array:
        return generator.gamma(1 / self.dispersion, self.dispersion, count)

    def mean(self, kind: npt.NDArray[np.int64], start: Array, end: Array) -> Array:
        shape = self.shape[kind]
        return np.asarray(self.level[kind] * ((end / 10) ** shape - (start / 10) ** shape))


def with_repairs(
    records: Records, law: RepairTruth, generator: np.random.Generator
) -> tuple[Records, dict[int, float]]:
    """The record with the repairs that the law would have left in it, and the leaning of each heater."""
    heaters = records.heaters
    days = 365.2425
    installed = (
        heaters["installed_earliest"] + (heaters["installed_latest"] - heaters["installed_earliest"]) / 2
    )
    start = ((heaters["record_start"] - installed).dt.days / days).clip(lower=0).to_numpy(float)
    end = heaters["ended_latest"].fillna(pd.Timestamp(records.as_of))
    stop = ((end - installed).dt.days / days).to_numpy(float)
    leaning = law.leaning(len(heaters), generator)
    rows = []
    for index, number in enumerate(heaters["heater_id"]):
        kind = np.array([KINDS.index(str(heaters["kind"].iloc[index]))])
        if stop[index] <= start[index]:
            continue
        mean = leaning[index] * law.mean(kind, start[index : index + 1], stop[index : index + 1])[0]
        shape = law.shape[kind[0]]
        for u in generator.random(generator.poisson(mean)):
            # The age at an event, by the inverse of the cumulative intensity.
            age = (start[index] ** shape + u * (stop[index] ** shape - start[index] ** shape)) ** (1 / shape)
            when = installed.iloc[index] + pd.Timedelta(days=float(age) * days)
            rows.append((int(number), "repaired", when.normalize(), when.normalize()))
    frame = pd.DataFrame(rows, columns=["heater_id", "kind", "done_earliest", "done_latest"])
    frame = frame.assign(anode_left_fraction=np.nan, setpoint_f=np.nan)
    services = pd.concat([records.services, frame], ignore_index=True) if rows else records.services
    numbers = heaters["heater_id"].astype(int)
    return Records(heaters, services, records.waters, records.as_of), dict(zip(numbers, leaning, strict=True))


def live_through(
    fleet: Fleet, law: RepairTruth, leaning: Array, years: int, generator: np.random.Generator
) -> float:
    """What the contract really costs: month by month, event by event, in money of each year."""
    places, heaters = fleet.places, fleet.heaters
    fixed, total = log_rate(fleet.truth, places), 0.0
    growth = 1 + GROWTH + 0.015 * generator.standard_normal()
    buildings = len(np.unique(places.building))
    n = len(places.kind)
    for step in range(round(years / STEP)):
        now, level = TODAY + step * STEP, growth ** int(step * STEP + 1e-9)
        care(fleet.truth, places, heaters, now, generator, None)
        fails = generator.random(n) < fail_chance(fleet.truth, places, heaters, now, fixed, STEP)
        age = np.maximum(now - heaters.installed, 0)
        repairs = generator.poisson(leaning * law.mean(places.kind, age, age + STEP))
        for _ in range(int(repairs.sum())):
            late = generator.random() < SHARE
            cost = (REPAIR_HOURS * HOUR + REPAIR_PARTS) * generator.gamma(1 / SPREAD**2, SPREAD**2)
            cost += TRIP + TRIP_HOURS * HOUR
            cost += late * HOUR * (TIMES - 1) * (REPAIR_HOURS + TRIP_HOURS)
            total += cost * level
        for index in np.flatnonzero(fails):
            late = generator.random() < SHARE
            hours = CALL + TRIP_HOURS + REPLACEMENT_HOURS
            total += level * (
                CALL * HOUR + TRIP + TRIP_HOURS * HOUR + REPLACEMENT + late * HOUR * (TIMES - 1) * hours
            )
            heaters.installed[index] = heaters.anode_from[index] = now + STEP / 2
            heaters.anode_life[index] = rod_life(fleet.truth, (1,), generator)[0]
            leaning[index] = law.leaning(1, generator)[0]
        total += (
            level * STEP * (n * (CARE_HOURS * HOUR + CARE_PARTS) + buildings * (TRIP + TRIP_HOURS * HOUR))
        )
    return total


def truth_of(generator: np.random.Generator) -> Truth:
    """Lives that differ from portfolio to portfolio, within what is published (6 to 20 years)."""
    scale = float(np.exp(generator.normal(np.log(14.5), 0.2)))
    shape = float(np.exp(generator.normal(np.log(2.9), 0.12)))
    return Truth(shape=(shape, shape), scale=(scale, scale * float(np.exp(generator.normal(0.08, 0.1)))))


def one(size: int, record_years: float, seed: int, paths: int, lives: int) -> Array:
    """A row a life: place of the real cost in the priced distribution, whether it lost, how far off the mean was."""
    generator = np.random.default_rng([seed, 41])
    fleet = make_fleet(size, record_years, seed, truth_of(generator))
    law = RepairTruth(generator)
    records, leanings = with_repairs(fleet.records, law, generator)
    posterior = fit(build_episodes(records, KINDS), load_prior(KINDS, COVARIATES), 1000, seed)
    repair_law = fit_repairs(repair_history(records, KINDS), KINDS, load_repair_prior(KINDS), 1000, seed)
    states = future_states(records, KINDS, posterior.buildings, YEARS)
    futures = contract_futures(posterior, states, repair_law, YEARS, paths, seed)
    n = len(states.heater_ids)
    one_each = np.ones(n)
    rates = Rates(
        HOUR, TIMES, TRIP, TRIP_HOURS, REPAIR_HOURS * one_each, REPAIR_PARTS * one_each, SPREAD, CALL,
        REPLACEMENT * one_each, REPLACEMENT_HOURS * one_each, GROWTH, 0.015, 1e9,
    )  # fmt: skip
    everything = np.ones(n, dtype=bool)
    clauses = Clauses("replacement", YEARS, SHARE, 0.03, everything, everything)
    promised = Care(states.building, 60 * CARE_HOURS * one_each, CARE_PARTS * one_each, one_each)
    costs = cost_paths(futures, promised, rates, clauses)
    asked = quote(costs, clauses, 0.0, CHANCE, None)
    of_place = {
        int(p) - 1: leanings[int(h)] for p, h in zip(states.position_id, states.heater_ids, strict=True)
    }
    leaning = np.array([of_place.get(i, 1.0) for i in range(len(fleet.places.kind))])
    limit, rows = asked.for_chance * asked.revenue / asked.price, []
    for _ in range(lives):
        real = live_through(deepcopy(fleet), law, leaning.copy(), YEARS, generator)
        rows.append((float((costs.total < real).mean()), float(real > limit), asked.expected_cost / real - 1))
    return np.array(rows)


def _share(parts: list[float]) -> str:
    error = float(np.std(parts, ddof=1)) / np.sqrt(len(parts))
    return f"{100 * float(np.mean(parts)):.1f} % (standard error {100 * error:.1f})"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--portfolios", type=int, default=200)
    parser.add_argument("--size", type=int, default=120)
    parser.add_argument("--record", type=float, default=10.0)
    parser.add_argument("--paths", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--lives", type=int, default=1)
    asked = parser.parse_args()
    warnings.simplefilter("ignore")
    began = time.perf_counter()
    found = [
        one(asked.size, asked.record, asked.seed + i, asked.paths, asked.lives)
        for i in range(asked.portfolios)
    ]
    count, rows = len(found), np.concatenate(found)
    inside = [float(((part[:, 0] >= 0.1) & (part[:, 0] <= 0.9)).mean()) for part in found]
    loss = [float(part[:, 1].mean()) for part in found]
    print(
        f"portfolios {count}, about {asked.size} heaters each, {asked.record:g} years of record, {YEARS}-year contracts, "
        f"each lived {asked.lives} times"
    )
    print(f"80 % interval covers {_share(inside)}")
    print(f"lost at the price quoted for a {100 * CHANCE:.0f} % chance of loss: {_share(loss)}")
    print(
        f"priced mean against what it cost: {100 * rows[:, 2].mean():+.1f} %, typical miss {100 * np.abs(rows[:, 2]).mean():.1f} %"
    )
    print(
        f"places in the priced distribution, deciles: {np.histogram(rows[:, 0], np.linspace(0, 1, 11))[0].tolist()}"
    )
    print(f"{time.perf_counter() - began:.0f} s; invented portfolios, seeds {asked.seed} and up")


if __name__ == "__main__":
    main()
