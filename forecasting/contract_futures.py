"""What may happen to the heaters of a service contract: failures and repairs, heater by heater, on joint paths.

Failures come from the same posterior draws and the same engine as the outlook; repairs from the power law of
`repairs`.  Kept as lists of happenings, so that any scope of a contract is priced from them in a moment.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from forecasting.episodes import FloatArray, FutureStates, IntArray
from forecasting.plan import Plan
from forecasting.positions import simulate_positions
from forecasting.posterior import Posterior
from forecasting.repairs import RepairLaw
from forecasting.risk import failure_probabilities, pick_draws

HEATERS_AT_ONCE = 250
WATER = ("hardness", "sediment", "softened")  # covariates through which the client's water speaks
WATER_DRAWS = 100


@dataclass(frozen=True)
class Laws:
    """The draw that each path lives by, per kind, at typical conditions: for heaters that come later."""

    kinds: tuple[str, ...]
    life_shape: FloatArray  # (R, K)
    life_scale: FloatArray  # (R, K) years
    repairs_by_age_10: FloatArray  # (R, K)
    repair_shape: FloatArray  # (R, K)
    dispersion: float  # variance of a heater's own leaning to repairs


@dataclass(frozen=True)
class Futures:
    """R paths over T years for N heaters.  A happening is one number: (path T + year) N + heater, rising."""

    heater_ids: IntArray  # (N,)
    paths: int
    years: int
    failures: npt.NDArray[np.int64]
    repairs: npt.NDArray[np.int64]
    growth: FloatArray  # (R,) standard normal: how this path's own costs grow against what is expected
    luck: FloatArray  # (R, T) uniform: how dear the year's repairs turn out
    more_by_water: FloatArray  # (N,) failures over the T years more than at typical water (fewer: below 0)
    laws: Laws | None = None  # None: kept by an earlier version

    @cached_property
    def failed(self) -> tuple[IntArray, IntArray]:
        return self.place(self.failures)

    @cached_property
    def repaired(self) -> tuple[IntArray, IntArray]:
        return self.place(self.repairs)

    def place(self, happenings: npt.NDArray[np.int64]) -> tuple[IntArray, IntArray]:
        """(path T + year, heater) of each happening."""
        count = len(self.heater_ids)
        return happenings // count, happenings % count


def contract_futures(
    posterior: Posterior, states: FutureStates, law: RepairLaw, years: int, paths: int = 500, seed: int = 0
) -> Futures:
    """Simulate every heater of ``states`` for ``years`` whole years.

    A failed heater is followed at once by a new one of its kind, which is repaired as a young heater.  Raises
    ValueError for no heater, years outside 1 to 20 or fewer than 100 paths.
    """
    count = len(states.heater_ids)
    if not count or not 1 <= years <= 20 or paths < 100:
        raise ValueError("give at least one heater, 1 to 20 years and at least 100 paths")
    generator = np.random.default_rng([abs(seed), 7102])
    draws = _draws(posterior, paths)
    law_draws = np.arange(paths) % len(law.shape)
    failed, repaired = [], []
    for start in range(0, count, HEATERS_AT_ONCE):
        rows = np.arange(start, min(start + HEATERS_AT_ONCE, count))
        part = _part(states, rows)
        ends = simulate_positions(posterior, part, _plan(posterior, len(rows), years, seed + start), draws)
        failures = ends.table(ends.failures).astype(np.int64)
        repairs = _repairs(part, law, law_draws, failures, generator)
        failed.append(_happenings(failures, rows, count))
        repaired.append(_happenings(repairs, rows, count))
    return Futures(
        heater_ids=states.heater_ids,
        paths=paths,
        years=years,
        failures=np.sort(np.concatenate(failed)),
        repairs=np.sort(np.concatenate(repaired)),
        growth=generator.standard_normal(paths),
        luck=generator.random((paths, years)),
        more_by_water=_more_by_water(posterior, states, years),
        laws=Laws(
            posterior.kinds,
            np.exp(posterior.log_shape[draws]),
            np.exp(posterior.log_scale[draws]),
            law.by_age_10[law_draws],
            law.shape[law_draws],
            law.dispersion,
        ),
    )


def _draws(posterior: Posterior, paths: int) -> IntArray:
    total = len(posterior.dispersion)
    return np.arange(paths) % total if paths >= total else pick_draws(posterior, paths)


def _part(states: FutureStates, rows: IntArray) -> FutureStates:
    return replace(
        states,
        heater_ids=states.heater_ids[rows],
        kind=states.kind[rows],
        building=states.building[rows],
        position_id=states.position_id[rows],
        property_id=states.property_id[rows],
        age_nodes=states.age_nodes[rows],
        age_weights=states.age_weights[rows],
        x=states.x[rows],
        known={name: mask[rows] for name, mask in states.known.items()},
    )


def _plan(posterior: Posterior, count: int, years: int, seed: int) -> Plan:
    nothing = np.zeros(count)
    return Plan(
        edges=np.arange(years + 1.0),
        groups=np.arange(count),
        group_count=count,
        successor_kind=np.arange(len(posterior.kinds)),
        planned_price=nothing,
        emergency_price=nothing,
        kind_prices=None,
        planned_age_years=np.inf,
        planned_period=np.full(count, -1),
        seed=seed,
    )


def _repairs(
    states: FutureStates,
    law: RepairLaw,
    draws: IntArray,
    failures: npt.NDArray[np.int64],
    generator: np.random.Generator,
) -> npt.NDArray[np.int64]:
    """(R, T, n) repairs given the failures; in a year with a failure each unit stands for half of it."""
    paths, years, count = failures.shape
    age = np.broadcast_to((states.age_nodes * states.age_weights).sum(axis=1), (paths, count)).copy()
    leaning = law.leanings(states.heater_ids, paths, generator)
    draw, kind = draws[:, None], states.kind[None, :]
    young = law.expected(draw, kind, np.zeros((1, 1)), np.full((1, 1), 0.5))
    answer = np.zeros((paths, years, count), dtype=np.int64)
    for year in range(years):
        failed = failures[:, year] > 0
        coming = leaning * law.expected(draw, kind, age, age + 1)
        mean = np.where(failed, coming / 2 + young, coming)
        answer[:, year] = generator.poisson(mean)
        age = np.where(failed, 0.5, age + 1)
        # A successor leans its own way, which nobody knows yet.
        leaning[failed] = generator.standard_gamma(1 / law.dispersion, int(failed.sum())) * law.dispersion
    return answer


def _happenings(counts: npt.NDArray[np.int64], rows: IntArray, total: int) -> npt.NDArray[np.int64]:
    years = counts.shape[1]
    path, year, heater = np.nonzero(counts)
    numbers = (path * years + year) * total + rows[heater]
    return np.repeat(numbers, counts[path, year, heater]).astype(np.int64)


def _more_by_water(posterior: Posterior, states: FutureStates, years: int) -> FloatArray:
    """How many more failures this water brings than typical water of 120 mg/L, all else as it is."""
    typical = states.x.copy()
    for place, name in enumerate(posterior.covariates):
        if name in WATER:
            typical[:, :, place] = 0.0
    here = failure_probabilities(posterior, states, (years,), WATER_DRAWS)[:, :, 0].mean(axis=1)
    there = failure_probabilities(posterior, replace(states, x=typical), (years,), WATER_DRAWS)[:, :, 0]
    return np.asarray(here - there.mean(axis=1))
