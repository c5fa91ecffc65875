"""Repairs of heaters that go on working: recurrent events with a power-law intensity per kind, shrunk to a prior.

A heater of age t is repaired at the rate z m (b / 10) (t / 10)^(b - 1) a year: m repairs are expected by age ten,
b > 1 means that old heaters are repaired more often, z is the heater's own leaning, Gamma with mean 1.  Minimal
repair: a repair leaves the heater as old as it was (MIL-HDBK-189; NIST e-Handbook 8.1.7.2 and 8.4.5.2).
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from forecasting.episodes import FloatArray, IntArray, Records

REFERENCE_AGE = 10.0
DAYS_IN_YEAR = 365.2425
REPAIRS = frozenset({"repaired", "element_renewed"})  # the works on record that a contract of repairs covers
TABLE = Path(__file__).resolve().parents[1] / "fixtures" / "repairs.csv"
GRID = 81


@dataclass(frozen=True)
class CrowEstimates:
    """Power-law estimates of one system watched from new for a fixed time."""

    shape: float  # maximum likelihood
    shape_unbiased: float
    scale: float  # lambda: expected events by time t are lambda t^shape, with the unbiased shape
    events_between_at_end: float  # time between events at the end of the watch, with the unbiased shape


def crow_estimates(event_times: Sequence[float] | FloatArray, watched: float) -> CrowEstimates:
    """Crow's estimates, time truncated: b = N / sum ln(T/t), unbiased (N-1) / sum ln(T/t), lambda = N / T^b.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.2; MIL-HDBK-189.  Raises ValueError with fewer
    than two events or an event outside the watch.
    """
    times = np.asarray(event_times, dtype=float)
    if len(times) < 2 or (times <= 0).any() or (times > watched).any():
        raise ValueError("give at least two event times above 0 and not after the end of the watch")
    logs = float(np.log(watched / times).sum())
    unbiased = (len(times) - 1) / logs
    return CrowEstimates(
        shape=len(times) / logs,
        shape_unbiased=unbiased,
        scale=len(times) / watched**unbiased,
        events_between_at_end=watched / (len(times) * unbiased),
    )


@dataclass(frozen=True)
class RepairHistory:
    """What the record says of repairs: lives watched from one age to another, and the ages at repair."""

    heater_ids: IntArray  # (M,)
    kind: IntArray  # (M,) index into kinds
    seen_from: FloatArray  # (M,) age in years
    seen_to: FloatArray  # (M,)
    event_heater: IntArray  # (E,) index into the lives
    event_age: FloatArray  # (E,)


@dataclass(frozen=True)
class RepairPrior:
    """One row a kind: repairs expected by age ten, what that belief is worth in repairs seen, and the shape."""

    by_age_10: FloatArray  # (K,)
    events_worth: FloatArray  # (K,)
    shape: FloatArray  # (K,)
    shape_spread: FloatArray  # (K,) standard deviation of log shape
    dispersion: float  # variance of a heater's own leaning z


@dataclass(frozen=True)
class RepairLaw:
    """Joint draws of the law per kind, and each watched heater's own leaning given what it has shown."""

    kinds: tuple[str, ...]
    by_age_10: FloatArray  # (D, K)
    shape: FloatArray  # (D, K)
    dispersion: float
    own_shape: dict[int, float]  # heater -> shape and rate of its Gamma leaning
    own_rate: dict[int, float]
    events_by_kind: dict[str, int]

    def expected(self, draw: IntArray, kind: IntArray, start: FloatArray, end: FloatArray) -> FloatArray:
        """Repairs expected between two ages at leaning 1; arguments broadcast together."""
        shape = self.shape[draw, kind]
        level = self.by_age_10[draw, kind]
        risen = np.power(end / REFERENCE_AGE, shape) - np.power(start / REFERENCE_AGE, shape)
        return np.asarray(level * risen)

    def leanings(self, heater_ids: IntArray, draws: int, generator: np.random.Generator) -> FloatArray:
        """(draws, N): a heater often repaired so far is likelier to be repaired again."""
        basis = 1 / self.dispersion
        shape = np.array([self.own_shape.get(int(number), basis) for number in heater_ids])
        rate = np.array([self.own_rate.get(int(number), basis) for number in heater_ids])
        return np.asarray(generator.standard_gamma(shape, (draws, len(shape))) / rate)


def load_repair_prior(kinds: Sequence[str], table: Path = TABLE) -> RepairPrior:
    """The shipped beliefs, each marked with its source.  Raises ValueError for a kind without one."""
    with table.open(encoding="utf-8") as handle:
        rows = {row["kind"]: row for row in csv.DictReader(handle)}
    if missing := [kind for kind in kinds if kind not in rows]:
        raise ValueError(f"no repair rate for {', '.join(missing)} in {table.name}")

    def column(name: str) -> FloatArray:
        return np.array([float(rows[kind][name]) for kind in kinds])

    return RepairPrior(
        column("by_age_10"),
        column("events_worth"),
        column("shape"),
        column("shape_spread"),
        float(column("dispersion").mean()) if len(kinds) else 0.4,
    )


def repair_history(records: Records, kinds: Sequence[str]) -> RepairHistory:
    """Lives and repairs on record, ages in years at the middle of what is known of each date.

    Only what happened after the record began counts; a heater without any install date is left out.
    """
    heaters = records.heaters
    installed = _middle(heaters["installed_earliest"], heaters["installed_latest"])
    ended = _middle(heaters["ended_earliest"], heaters["ended_latest"]).fillna(pd.Timestamp(records.as_of))
    start = _years(heaters["record_start"] - installed)
    stop = _years(ended - installed)
    places = {kind: index for index, kind in enumerate(kinds)}
    kind = heaters["kind"].map(places).to_numpy(dtype=float)
    seen_from = np.maximum(np.nan_to_num(start), 0.0)
    good = np.isfinite(stop) & np.isfinite(kind) & (stop > seen_from)
    ids = heaters["heater_id"].to_numpy(dtype=np.int64)[good]
    row_of = {int(number): index for index, number in enumerate(ids)}
    life_start, life_stop = seen_from[good], stop[good]
    services = records.services[records.services["kind"].isin(REPAIRS)]
    done = _middle(services["done_earliest"], services["done_latest"])
    began = pd.Series(installed.to_numpy(), index=heaters["heater_id"].to_numpy())
    born = services["heater_id"].map(began)
    ages = _years(pd.to_datetime(done) - pd.to_datetime(born))
    owner = services["heater_id"].map(row_of).to_numpy(dtype=float)
    known = np.isfinite(owner) & np.isfinite(ages)
    heater, age = owner[known].astype(np.int64), ages[known]
    inside = (age > life_start[heater]) & (age <= life_stop[heater])
    return RepairHistory(ids, kind[good].astype(np.int64), life_start, life_stop, heater[inside], age[inside])


def _middle(early: pd.Series, late: pd.Series) -> pd.Series:
    first, last = pd.to_datetime(early), pd.to_datetime(late)
    return first.fillna(last) + (last.fillna(first) - first.fillna(last)) / 2


def _years(span: pd.Series) -> FloatArray:
    return np.asarray(span.dt.total_seconds().to_numpy(dtype=float) / 86_400 / DAYS_IN_YEAR)


def fit_repairs(
    history: RepairHistory, kinds: Sequence[str], prior: RepairPrior, draws: int = 1000, seed: int = 0
) -> RepairLaw:
    """Posterior of the law per kind.

    Given the shape, the level m is Gamma: prior Gamma(a, a / m0), after N repairs over an exposure E (in units of
    the first ten years) Gamma(a + N, a / m0 + E).  The shape's posterior is laid on a grid with the level summed
    out.  Heaters differ, so repairs seen say less than independent ones would: both N and E are divided by
    1 + dispersion x mean repairs a heater (the variance of a negative binomial against a Poisson count).
    """
    generator = np.random.default_rng([abs(seed), 7101])
    count = len(kinds)
    level, shape = np.empty((draws, count)), np.empty((draws, count))
    seen: dict[str, int] = {}
    for index, name in enumerate(kinds):
        mine = history.kind == index
        ages = history.event_age[mine[history.event_heater]]
        seen[name] = len(ages)
        grid = prior.shape[index] * np.exp(prior.shape_spread[index] * np.linspace(-4, 4, GRID))
        exposure = _exposures(history.seen_from[mine], history.seen_to[mine], grid)
        deflate = 1 + prior.dispersion * len(ages) / max(1, int(mine.sum()))
        events = len(ages) / deflate
        worth, basis = prior.events_worth[index], prior.events_worth[index] / prior.by_age_10[index]
        logs = float(np.log(np.maximum(ages, 1e-3) / REFERENCE_AGE).sum()) / deflate
        score = -(np.linspace(-4, 4, GRID) ** 2) / 2 + events * np.log(grid) + (grid - 1) * logs
        score -= (worth + events) * np.log(basis + exposure / deflate)
        chance = np.exp(score - score.max())
        place = generator.choice(GRID, size=draws, p=chance / chance.sum())
        shape[:, index] = grid[place]
        level[:, index] = generator.standard_gamma(worth + events, draws) / (
            basis + exposure[place] / deflate
        )
    own_shape, own_rate = _own(history, level.mean(axis=0), shape.mean(axis=0), prior.dispersion)
    return RepairLaw(tuple(kinds), level, shape, prior.dispersion, own_shape, own_rate, seen)


def _exposures(start: FloatArray, stop: FloatArray, shapes: FloatArray) -> FloatArray:
    """(G,) total exposure at each shape, where the first ten years of one heater count 1."""
    if not len(start):
        return np.zeros(len(shapes))
    low, high = start / REFERENCE_AGE, stop / REFERENCE_AGE
    return np.array([float((high**shape - low**shape).sum()) for shape in shapes])


def _own(
    history: RepairHistory, level: FloatArray, shape: FloatArray, dispersion: float
) -> tuple[dict[int, float], dict[int, float]]:
    """Gamma leaning of each watched heater: prior Gamma(1/v, 1/v), its repairs and expected repairs added."""
    kind = history.kind
    low = np.power(history.seen_from / REFERENCE_AGE, shape[kind])
    high = np.power(history.seen_to / REFERENCE_AGE, shape[kind])
    expected = level[kind] * (high - low)
    events = np.bincount(history.event_heater, minlength=len(kind))
    basis = 1 / dispersion
    own_shape = {int(h): basis + float(n) for h, n in zip(history.heater_ids, events, strict=True)}
    own_rate = {int(h): basis + float(e) for h, e in zip(history.heater_ids, expected, strict=True)}
    return own_shape, own_rate
