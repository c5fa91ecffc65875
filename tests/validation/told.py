"""The forecast of somebody told the true law, who sees the record alone: what no forecaster learning it can beat.

Hidden are each building's multiplier, each rod's life, rods renewed before the record began and vague install dates.
Rod histories do not hang on whether the heater lives, so they are drawn first, given what the record says of them;
each then weighs as its heater's life is likely under it.  A building's multiplier has its posterior on a grid:

    Gamma prior x product over heaters of [mean over histories of (z h)^failed exp(-z E)] / mu(z) if found standing,

E the cumulative hazard from birth to the last day seen, h the hazard at a failure, both at multiplier 1, and mu the
mean life: the age of a heater found in a place renewed for decades has density (survival to it) / (mean life).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import gamma

from tests.validation.simulator import (
    AS_OF,
    STEP,
    VAGUE_YEARS,
    YEARS_BEFORE_RENEWAL,
    Array,
    Fleet,
    Heaters,
    Places,
    Truth,
    live_on,
    log_rate,
    renewal_chance,
    rod_life,
)

HISTORIES = 400  # of rods, for each heater
MULTIPLIERS = 200  # of a building
LONGEST_LIFE, AGE_STEP = 60.0, 0.25
LOG_RATES = np.linspace(-5, 4, 91)


@dataclass(frozen=True)
class Seen:
    """Heaters of the record (N,), in calendar years."""

    place: npt.NDArray[np.int64]
    earliest: Array
    latest: Array
    end: Array  # the last day seen
    failed: npt.NDArray[np.bool_]
    there: npt.NDArray[np.bool_]  # still in place
    renewals: list[Array]  # when its rods were renewed, as far as the record goes


@dataclass(frozen=True)
class Known:
    """The law, the record, and what follows from the two."""

    truth: Truth
    places: Places  # but for the multipliers
    seen: Seen
    begin: float  # of the record
    log_rate: Array  # (n,) of each place at multiplier 1
    multipliers: Array  # (Z,) equally likely ones


@dataclass(frozen=True)
class Histories:
    """Of one heater, (M,) each: birth, and the rods from birth to the last day seen, (M, K), inf where there is none."""

    birth: Array
    rod_from: Array
    rod_life: Array
    log_weight: Array


def year_of(days: pd.Series[pd.Timestamp]) -> Array:
    """The inverse of the simulator's ``day``."""
    start = pd.to_datetime(dict(year=days.dt.year, month=1, day=1))
    return np.asarray(days.dt.year + (days - start).dt.days / 365.2425, dtype=float)


def see(fleet: Fleet) -> Seen:
    heaters, services = fleet.records.heaters, fleet.records.services
    renewed = services[services["kind"] == "anode_renewed"]
    when = pd.Series(year_of(renewed["done_latest"])).groupby(renewed["heater_id"].to_numpy()).agg(list)
    return Seen(
        place=heaters["position_id"].to_numpy(np.int64) - 1,
        earliest=year_of(heaters["installed_earliest"]),
        latest=year_of(heaters["installed_latest"]),
        end=year_of(heaters["ended_latest"].fillna(pd.Timestamp(AS_OF))),
        failed=(heaters["ending"] == "tank_leak").to_numpy(),
        there=(heaters["ending"] == "").to_numpy(),
        renewals=[np.sort(np.array(when.get(number, []))) for number in heaters["heater_id"]],
    )


def rods_before(birth: Array, until: Array, generator: np.random.Generator) -> Array:
    """When rods were new, (M, K), from births to a day, in a building that renews them; inf past that day."""
    turns = int(np.max(until - birth, initial=0) / YEARS_BEFORE_RENEWAL) + 1
    shape = (len(birth), turns)
    months = generator.geometric(renewal_chance(), shape) - generator.random(shape)
    starts = birth[:, None] + np.cumsum(YEARS_BEFORE_RENEWAL + STEP * months, axis=1)
    starts = np.concatenate([birth[:, None], starts], axis=1)
    return np.where(starts < np.maximum(until, birth + 1e-9)[:, None], starts, np.inf)


def histories(law: Known, heater: int, cared: bool, count: int, generator: np.random.Generator) -> Histories:
    """Births and rods as they may have been, weighed by what the record says of them but for the heater's own life."""
    seen, begin = law.seen, law.begin
    birth, log_weight = births(law, heater, count, generator)
    if not cared:
        rod_from = birth[:, None]
    else:
        rod_from = rods_before(birth, np.full(len(birth), begin), generator)
        last = np.where(np.isfinite(rod_from), rod_from, -np.inf).max(axis=1)
        renewals = seen.renewals[heater]
        until = renewals[0] if len(renewals) else seen.end[heater]
        waited = (until - np.maximum(last + YEARS_BEFORE_RENEWAL, begin)) / STEP
        log_weight = log_weight + np.maximum(waited, 0) * np.log1p(-renewal_chance())
        if len(renewals):  # none is renewed before its time, but for the month's rounding
            log_weight = log_weight - 50 * (waited < -1.5)
        rod_from = np.concatenate([rod_from, np.tile(renewals, (len(birth), 1))], axis=1)
        rod_from = np.sort(rod_from, axis=1)
    return Histories(birth, rod_from, rod_life(law.truth, rod_from.shape, generator), log_weight)


def births(law: Known, heater: int, count: int, generator: np.random.Generator) -> tuple[Array, Array]:
    """Possible births with the log of their weights: the bounds were set up to five years off on either side."""
    low, high = law.seen.earliest[heater], law.seen.latest[heater]
    if high - low < 0.01:
        return np.full(count, low), np.zeros(count)
    cut = high > law.begin - 0.01  # the later bound is where the record begins
    birth = generator.uniform(max(low, high - VAGUE_YEARS), min(high, low + VAGUE_YEARS), count)
    log_weight = -law.truth.planned_per_year * (law.begin - birth)
    return birth, log_weight + np.log(np.maximum(birth + VAGUE_YEARS - law.begin, 1e-9)) * cut


def hazard_so_far(truth: Truth, kind: int, known: Histories, until: Array) -> tuple[Array, Array]:
    """Cumulative hazard (M, T) from birth to each of ``until`` (T,) calendar years or ages, and log hazard then, at rate 1."""
    shape, scale = truth.shape[kind], truth.scale[kind]
    births = known.birth[:, None]
    grown = np.maximum((until - births) / scale, 0) ** shape
    spent_now = np.zeros(grown.shape, dtype=bool)
    for turn in range(known.rod_from.shape[1]):
        rod, life = known.rod_from[:, turn, None], known.rod_life[:, turn, None]
        after = known.rod_from[:, turn + 1, None] if turn + 1 < known.rod_from.shape[1] else np.inf
        to, since = np.minimum(after, until), np.minimum(rod + life, until)
        extra = np.where(np.isfinite(rod) & (to > since), to - births, 0)
        before = np.where(extra > 0, since - births, 0)
        grown = grown + np.expm1(truth.anode_spent) * ((extra / scale) ** shape - (before / scale) ** shape)
        spent_now |= (rod + life < until) & (after >= until)
    age = np.maximum(until - births, 1e-3)
    log_hazard = np.log(shape / scale) + (shape - 1) * np.log(age / scale) + truth.anode_spent * spent_now
    return grown, log_hazard


@cache
def log_mean_lives(truth: Truth, kind: int, cared: bool) -> Array:
    """Log of the mean time in place at each of ``LOG_RATES``, planned removals counted."""
    generator = np.random.default_rng(4)
    birth = np.zeros(500)
    rods = rods_before(birth, np.full(500, LONGEST_LIFE), generator) if cared else birth[:, None]
    known = Histories(birth, rods, rod_life(truth, rods.shape, generator), birth)
    ages = np.arange(AGE_STEP / 2, LONGEST_LIFE, AGE_STEP)
    grown = hazard_so_far(truth, kind, known, ages)[0]
    stays = np.exp(-truth.planned_per_year * ages)
    means = [(np.exp(-np.exp(rate) * grown).mean(axis=0) * stays).sum() * AGE_STEP for rate in LOG_RATES]
    return np.asarray(np.log(means))


def know(fleet: Fleet, truth: Truth) -> Known:
    """What somebody knows of a fleet who believes ``truth`` to be its law."""
    if truth.young_share or np.isfinite(truth.past_policy_age):
        raise ValueError("the ages found standing have this law only in old buildings renewed as heaters end")
    places = replace(fleet.places, multiplier=np.ones_like(fleet.places.multiplier))
    at = (np.arange(MULTIPLIERS) + 0.5) / MULTIPLIERS
    return Known(
        truth=truth,
        places=places,
        seen=see(fleet),
        begin=float(year_of(fleet.records.heaters["record_start"]).min()),
        log_rate=log_rate(truth, places),
        multipliers=gamma.ppf(at, 1 / truth.dispersion, scale=truth.dispersion),
    )


def of_building(
    law: Known, building: int, count: int, generator: np.random.Generator
) -> tuple[Array, dict[int, tuple[Histories, Array]]]:
    """Log likelihood at each multiplier, and for the heater in each place its histories and their weights (Z, M)."""
    seen, z, total = law.seen, law.multipliers, np.zeros(len(law.multipliers))
    in_place = {}
    for heater in np.flatnonzero(law.places.building[seen.place] == building).tolist():
        place = int(seen.place[heater])
        kind, cared, rate = int(law.places.kind[place]), bool(law.places.cared[place]), law.log_rate[place]
        known = histories(law, heater, cared, count, generator)
        grown, log_hazard = hazard_so_far(law.truth, kind, known, np.array([seen.end[heater]]))
        fits = known.log_weight - np.outer(z * np.exp(rate), grown[:, 0])
        if seen.failed[heater]:
            fits = fits + log_hazard[:, 0] + rate + np.log(z)[:, None]
        top = fits.max(axis=1, keepdims=True)
        weight = np.exp(fits - top)
        total += np.log(weight.mean(axis=1)) + top[:, 0]
        if seen.earliest[heater] < law.begin - 0.01:
            total -= np.interp(rate + np.log(z), LOG_RATES, log_mean_lives(law.truth, kind, cared))
        if seen.there[heater]:
            in_place[place] = (known, weight)
    return total, in_place


def told_paths(
    fleet: Fleet, years: int, paths: int, seed: int, truth: Truth | None = None
) -> npt.NDArray[np.int64]:
    """(paths, years, n) failures to come, the hidden states drawn from what the record says of them under the law."""
    law, n = know(fleet, truth or fleet.truth), len(fleet.places.kind)
    generator = np.random.default_rng([seed, 98])
    fixed = np.zeros((n, paths))
    now = Heaters(np.zeros((n, paths)), np.zeros((n, paths)), np.zeros((n, paths)))
    for building in np.unique(law.places.building):
        total, in_place = of_building(law, int(building), HISTORIES, generator)
        drawn = _pick(np.exp(total - total.max()), generator.random(paths))
        for place, (known, weight) in in_place.items():
            history = _pick_each(weight[drawn], generator.random(paths))
            fixed[place] = law.log_rate[place] + np.log(law.multipliers[drawn])
            last = (np.isfinite(known.rod_from).sum(axis=1) - 1)[history]
            now.installed[place] = known.birth[history]
            now.anode_from[place] = known.rod_from[history, last]
            now.anode_life[place] = known.rod_life[history, last]
    return live_on(law.truth, law.places, now, fixed, years, generator)


def _pick(weight: Array, at: Array) -> npt.NDArray[np.int64]:
    """Indices drawn with chances in proportion to one row of weights."""
    share = np.cumsum(weight) / weight.sum()
    return np.minimum(np.searchsorted(share, at), len(weight) - 1)


def _pick_each(weight: Array, at: Array) -> npt.NDArray[np.int64]:
    """One index a row of weights."""
    share = np.cumsum(weight, axis=1)
    return np.asarray((share < at[:, None] * share[:, -1:]).sum(axis=1).clip(0, weight.shape[1] - 1))
