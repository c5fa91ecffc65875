"""What a running contract was priced to cost by a day, for what was under contract when: stretch by stretch.

Heaters come, are replaced and leave; each counts from the day it came to the day it left.  A happening has a moment
within its year, so that half a year holds the spread of half a year and not half the spread of a whole one.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np

from forecasting.contract import Care, Clauses, Rates, cost_levels, cost_paths, heater_shares, trips_a_year
from forecasting.contract_futures import Futures, Laws
from forecasting.repairs import REFERENCE_AGE
from forecasting.states import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Spans:
    """What was under contract when: one row a stay of a heater, in years since the contract began; M rows."""

    heater: IntArray  # (M,) index into the futures' heaters
    since: FloatArray  # (M,)
    until: FloatArray  # (M,)
    replaced: BoolArray  # (M,) its replacement is covered


@dataclass(frozen=True)
class Newcomers:
    """Heaters that the survey did not see: what they are when they come."""

    heater_ids: IntArray  # (M,)
    kind: IntArray  # (M,) index into the laws' kinds
    age: FloatArray  # (M,) years
    since: FloatArray  # (M,) years since the contract began


@dataclass(frozen=True)
class Timeline:
    """Happenings by path, heater and moment (years since the contract began)."""

    path: IntArray
    heater: IntArray
    moment: FloatArray

    def chosen(self, kept: BoolArray) -> Timeline:
        return Timeline(self.path[kept], self.heater[kept], self.moment[kept])

    def after(self, other: Timeline) -> Timeline:
        return Timeline(
            np.concatenate([self.path, other.path]),
            np.concatenate([self.heater, other.heater]),
            np.concatenate([self.moment, other.moment]),
        )

    def numbers(self, years: int, count: int) -> IntArray:
        return np.sort((self.path * years + np.floor(self.moment).astype(np.int64)) * count + self.heater)


@dataclass(frozen=True)
class InForce:
    """Cost paths for what was under contract, up to the day that the spans reach to."""

    unplanned: FloatArray  # (R,) repairs, failures and the ways to them
    planned: float  # promised care and its trips, evenly through the year
    by_heater: FloatArray  # (N,) what each was expected to cost by then, care included


def timelines(futures: Futures) -> tuple[Timeline, Timeline]:
    """(failures, repairs), each at a moment of its year drawn once for all: the same futures, the same moments."""
    generator = np.random.default_rng(7103)
    found = []
    for happenings in (futures.failures, futures.repairs):
        cell, heater = futures.place(happenings)
        moment = cell % futures.years + generator.random(len(cell))
        found.append(Timeline(cell // futures.years, heater, moment))
    return found[0], found[1]


def newcomers(laws: Laws, who: Newcomers, years: int, seed: int) -> tuple[Timeline, Timeline]:
    """(failures, repairs) of heaters the survey did not see, by the draw of each path, as heaters of their age.

    Each lives by its kind's law at typical conditions, as its price was made, and is followed by a new one.  Their
    numbers count from 0.
    """
    generator = np.random.default_rng([abs(seed), 7104])
    paths, count = len(laws.life_shape), len(who.age)
    kind = np.broadcast_to(who.kind, (paths, count))
    row = np.arange(paths)[:, None]
    shape, scale = laws.life_shape[row, kind], laws.life_scale[row, kind]
    begun = np.broadcast_to(who.since, (paths, count)).copy()
    age = np.broadcast_to(who.age, (paths, count)).copy()
    nobody = np.zeros(0, dtype=np.int64)
    failures = repairs = Timeline(nobody, nobody, np.zeros(0))
    while (begun < years).any():
        worn = (age / scale) ** shape + generator.standard_exponential(begun.shape)
        ends = begun + scale * worn ** (1 / shape) - age
        repairs = repairs.after(_repaired(laws, kind, begun, age, np.minimum(ends, years), generator))
        path, heater = np.nonzero((begun < years) & (ends < years))
        failures = failures.after(Timeline(path, heater, ends[path, heater]))
        begun, age = np.where(ends < years, ends, np.inf), np.zeros_like(age)
    return failures, repairs


def _repaired(
    laws: Laws,
    kind: IntArray,
    begun: FloatArray,
    age: FloatArray,
    ends: FloatArray,
    generator: np.random.Generator,
) -> Timeline:
    """Repairs between two moments of lives that begin at an age, each with a leaning of its own."""
    row = np.arange(len(begun))[:, None]
    level, shape = laws.repairs_by_age_10[row, kind], laws.repair_shape[row, kind]
    span = np.where(np.isfinite(begun), np.maximum(ends - begun, 0.0), 0.0)
    low, high = (age / REFERENCE_AGE) ** shape, ((age + span) / REFERENCE_AGE) ** shape
    leaning = generator.standard_gamma(1 / laws.dispersion, begun.shape) * laws.dispersion
    counts = generator.poisson(leaning * level * (high - low))
    path, heater = np.nonzero(counts)
    times = counts[path, heater]
    path, heater = np.repeat(path, times), np.repeat(heater, times)
    place = low[path, heater] + generator.random(len(path)) * (high - low)[path, heater]
    at = REFERENCE_AGE * place ** (1 / shape[path, heater])
    return Timeline(path, heater, begun[path, heater] + at - age[path, heater])


def with_newcomers(futures: Futures, who: Newcomers, seed: int) -> tuple[Futures, tuple[Timeline, Timeline]]:
    """The futures with columns for heaters that came later, and all happenings with their moments.

    Raises ValueError where the futures were kept without their laws.
    """
    both = timelines(futures)
    if not len(who.age):
        return futures, both
    if futures.laws is None:
        raise ValueError("these futures were kept without their laws: nothing can be said of newcomers")
    made = newcomers(futures.laws, who, futures.years, seed)
    count = len(futures.heater_ids)
    joined = tuple(
        old.after(Timeline(new.path, new.heater + count, new.moment))
        for old, new in zip(both, made, strict=True)
    )
    wider = replace(
        futures,
        heater_ids=np.concatenate([futures.heater_ids, who.heater_ids]),
        more_by_water=np.concatenate([futures.more_by_water, np.zeros(len(who.age))]),
    )
    return wider, (joined[0], joined[1])


def in_force(
    futures: Futures,
    happenings: tuple[Timeline, Timeline],
    care: Care,
    rates: Rates,
    clauses: Clauses,
    spans: Spans,
) -> InForce:
    """What was priced for the stretches of ``spans``.  Of ``clauses`` the level, years and limits are read.

    Without changes and up to the end of the term this is what was priced.  The limit on replacements is that of a
    whole contract year, however much of it has passed.
    """
    count = len(futures.heater_ids)
    kept = [one.chosen(_present(spans, one, clauses.years, count)) for one in happenings]
    failures, repairs = (one.numbers(futures.years, count) for one in kept)
    lived = replace(futures, failures=failures, repairs=repairs)
    under, replaced = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
    under[spans.heater] = True
    replaced[spans.heater[spans.replaced]] = True
    zero = np.zeros(count)
    nothing = Care(care.building, zero, zero, zero)
    if not under.any():
        return InForce(np.zeros(futures.paths), 0.0, zero)
    of_jobs = replace(clauses, enrolled=under, replaced=replaced)
    costs = cost_paths(lived, nothing, rates, of_jobs)
    by_heater = _care_by_heater(futures, care, rates, clauses, spans)
    planned = float(by_heater.sum())
    shares = heater_shares(lived, nothing, rates, of_jobs, costs)[0]
    if (
        shares.sum()
    ):  # repairs turned out a little dearer or cheaper than their mean: the whole is what counts
        shares = shares * (costs.total.mean() / shares.sum())
    return InForce(unplanned=costs.total, planned=planned, by_heater=by_heater + shares)


def _present(spans: Spans, happenings: Timeline, years: int, count: int) -> BoolArray:
    """Whether each happening fell while its heater was under contract."""
    present = np.zeros(len(happenings.path), dtype=bool)
    order = np.argsort(spans.heater, kind="stable")
    first = np.searchsorted(spans.heater[order], spans.heater[order])
    turn = np.arange(len(order)) - first  # a heater that left and came again has more stays than one
    for which in range(int(turn.max(initial=-1)) + 1):
        rows = order[turn == which]
        since, until = np.full(count, np.inf), np.full(count, -np.inf)
        since[spans.heater[rows]], until[spans.heater[rows]] = spans.since[rows], spans.until[rows]
        moment = happenings.moment
        present |= (moment >= since[happenings.heater]) & (moment < until[happenings.heater])
    return np.asarray(present & (happenings.moment < years))


def _care_by_heater(futures: Futures, care: Care, rates: Rates, clauses: Clauses, spans: Spans) -> FloatArray:
    """(N,) the planned care of each heater: between two changes the scope and the trips it shares stay the same."""
    count, years = len(futures.heater_ids), clauses.years
    level = cost_levels(futures, rates, years).mean(axis=0)
    hour = rates.labour_per_hour
    trip = rates.trip + rates.trip_hours * hour
    edges = np.unique(np.concatenate([spans.since, spans.until, np.arange(years + 1.0)]).clip(0, years))
    answer = np.zeros(count)
    for start, stop in itertools.pairwise(edges):
        now = np.zeros(count, dtype=bool)
        now[spans.heater[(spans.since <= start) & (spans.until >= stop)]] = True
        if not now.any():
            continue
        each = care.minutes / 60 * hour + care.materials
        each = each + trips_a_year(care, replace(clauses, enrolled=now), rates) * trip
        answer += np.where(now, each, 0.0) * level[int(start)] * (stop - start)
    return answer


def share_below(paths: FloatArray, actual: float) -> float:
    """Share of the priced paths that cost less than the actual cost, 0 to 1; a path that cost the same counts half."""
    return float((paths < actual).mean() + (paths == actual).mean() / 2)
