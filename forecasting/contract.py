"""What a service contract costs and should charge: cost paths, price for a margin and a chance of loss, and why.

Money is in one currency, plain floats: the caller rounds.  All scopes are priced from the same `Futures`, so that
two scopes differ by what they cover and not by luck.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from forecasting.contract_futures import Futures
from forecasting.states import BoolArray, FloatArray, IntArray

Level = Literal["care", "repairs", "replacement"]
LEVELS: tuple[Level, ...] = ("care", "repairs", "replacement")
PLANNED = ("care", "trips for care")  # promised, and not left to chance
UNPLANNED = ("repairs", "calls", "trips for jobs", "after hours", "replacement")
PARTS = (*PLANNED, *UNPLANNED)


@dataclass(frozen=True)
class Care:
    """The promised care of each heater, which is not left to chance; N heaters."""

    building: IntArray  # (N,)
    minutes: FloatArray  # (N,) of work a year
    materials: FloatArray  # (N,) money a year
    visits: FloatArray  # (N,) trips a year that this heater's care asks for


@dataclass(frozen=True)
class Rates:
    """The company's own cost book, in the money of the contract's first year."""

    labour_per_hour: float
    after_hours_times: float  # what an hour after hours costs against a normal one, at least 1
    trip: float  # money a trip, beside the hours
    trip_hours: float
    repair_hours: FloatArray  # (N,)
    repair_materials: FloatArray  # (N,)
    repair_spread: float  # standard deviation of one repair's cost against its mean
    call_hours: float  # to look at a failure and make it safe
    replacement: FloatArray  # (N,) all of a replacement in normal hours
    replacement_hours: FloatArray  # (N,) of which hours of work
    growth_mean: float = 0.03
    growth_sd: float = 0.015
    minutes_a_trip: float = 420.0


@dataclass(frozen=True)
class Clauses:
    """What is promised to whom."""

    level: Level
    years: int
    after_hours_share: float  # of repairs, calls and replacements, by the response time promised
    price_growth: float  # yearly, written into the contract
    enrolled: BoolArray  # (N,)
    replaced: BoolArray  # (N,) enrolled heaters whose replacement is covered too
    limit_a_year: float = np.inf  # on replacements, money a contract year


@dataclass(frozen=True)
class Costs:
    """(R, T) cost a contract year by part, on joint paths."""

    parts: dict[str, FloatArray]
    level: FloatArray  # (R, T) cost level against the first year's
    capped: FloatArray  # (R, T) share of the replacements that the limit lets through

    @property
    def yearly(self) -> FloatArray:
        return np.asarray(sum(self.parts.values()))

    @property
    def unplanned(self) -> FloatArray:
        """(R, T) what chance decides: repairs, failures and the ways to them."""
        return np.asarray(sum(self.parts[name] for name in UNPLANNED))

    @property
    def total(self) -> FloatArray:
        return np.asarray(self.yearly.sum(axis=1))


@dataclass(frozen=True)
class Quote:
    """A price and what it means."""

    price: float  # first year
    for_margin: float  # first-year price that gives the margin on average
    for_chance: float  # first-year price that keeps the chance of loss
    expected_cost: float  # whole contract
    revenue: float  # whole contract
    chance_of_loss: float
    chance_error: float  # Monte Carlo standard error of that chance
    break_even: float  # first-year price at which nothing is earned on average
    tenth: float  # 10th, 50th and 90th percentile of the whole cost
    middle: float
    ninetieth: float


def check(futures: Futures, care: Care, rates: Rates, clauses: Clauses) -> None:
    """Raises ValueError naming what does not fit."""
    count = len(futures.heater_ids)
    lengths = {
        "care": care.minutes,
        "repair hours": rates.repair_hours,
        "replacement": rates.replacement,
        "enrolled": clauses.enrolled,
        "replaced": clauses.replaced,
    }
    for name, values in lengths.items():
        if len(values) != count:
            raise ValueError(f"{name} must hold one entry a heater, {count}")
    if not 1 <= clauses.years <= futures.years:
        raise ValueError(f"{clauses.years} years: give 1 to {futures.years}, as far as was looked ahead")
    if not clauses.enrolled.any():
        raise ValueError("no heater is in scope")
    if not 0 <= clauses.after_hours_share <= 1 or rates.after_hours_times < 1 or clauses.limit_a_year < 0:
        raise ValueError("after-hours share from 0 to 1, after-hours factor at least 1, limit at least 0")


def revenue_factor(clauses: Clauses) -> float:
    """What the whole contract brings for 1 of first-year price."""
    return float(((1 + clauses.price_growth) ** np.arange(clauses.years)).sum())


def trips_a_year(care: Care, clauses: Clauses, rates: Rates) -> FloatArray:
    """(N,) each enrolled heater's share of the trips of planned care to its building.

    One trip serves all heaters of a building, more where the work is longer than a working day.
    """
    taken = np.flatnonzero(clauses.enrolled & (care.visits > 0))
    answer = np.zeros(len(care.building))
    if not len(taken):
        return answer
    _, inverse = np.unique(care.building[taken], return_inverse=True)
    visits = np.zeros(int(inverse.max()) + 1)
    np.maximum.at(visits, inverse, care.visits[taken])
    minutes = np.bincount(inverse, care.minutes[taken])
    trips = np.maximum(visits, np.ceil(minutes / rates.minutes_a_trip))
    answer[taken] = (trips / np.bincount(inverse))[inverse]
    return answer


def cost_levels(futures: Futures, rates: Rates, years: int) -> FloatArray:
    """(R, T) how the company's own costs have risen by each contract year, 1 in the first."""
    growth = np.maximum(1 + rates.growth_mean + rates.growth_sd * futures.growth, 0.8)
    return np.asarray(growth[:, None] ** np.arange(years), dtype=float)


@dataclass(frozen=True)
class Tally:
    """What happens on each path and year at the heaters of a scope, (R, T) each: what every clause is priced from."""

    repairs: FloatArray
    repair_cost: FloatArray  # hours and materials, without the way
    repair_hours: FloatArray  # with the way
    failures: FloatArray
    replacement_cost: FloatArray  # in normal hours
    replacement_hours: FloatArray


def tally(futures: Futures, rates: Rates, enrolled: BoolArray, replaced: BoolArray) -> Tally:
    """Counted once for a scope; then response time, years, limits and levels of cover are arithmetic."""
    hour, covered = rates.labour_per_hour, enrolled & replaced
    return Tally(
        _sums(futures, futures.repaired, enrolled, None),
        _sums(futures, futures.repaired, enrolled, rates.repair_hours * hour + rates.repair_materials),
        _sums(futures, futures.repaired, enrolled, rates.repair_hours + rates.trip_hours),
        _sums(futures, futures.failed, enrolled, None),
        _sums(futures, futures.failed, covered, rates.replacement),
        _sums(futures, futures.failed, covered, rates.replacement_hours),
    )


def cost_paths(
    futures: Futures, care: Care, rates: Rates, clauses: Clauses, counted: Tally | None = None
) -> Costs:
    """The contract's cost on every path. ``counted``: the scope's tally, where it is at hand."""
    check(futures, care, rates, clauses)
    years = clauses.years
    shape = (futures.paths, years)
    level = cost_levels(futures, rates, years)
    hour, extra = rates.labour_per_hour, rates.labour_per_hour * (rates.after_hours_times - 1)
    trip = rates.trip + rates.trip_hours * hour
    late = clauses.after_hours_share * extra
    planned = (care.minutes / 60 * hour + care.materials)[clauses.enrolled].sum()
    trips = trips_a_year(care, clauses, rates).sum()
    parts = {name: np.zeros(shape) for name in PARTS}
    parts["care"] += planned
    parts["trips for care"] += trips * trip
    capped = np.ones(shape)
    if clauses.level != "care":
        found = counted or tally(futures, rates, clauses.enrolled, clauses.replaced)
        repairs, failures = found.repairs[:, :years], found.failures[:, :years]
        dear = _dearness(repairs, rates, futures)
        parts["repairs"] += found.repair_cost[:, :years] * dear
        parts["trips for jobs"] += (repairs + failures) * trip
        parts["calls"] += failures * rates.call_hours * hour
        hours = found.repair_hours[:, :years] * dear + failures * (rates.call_hours + rates.trip_hours)
        parts["after hours"] += hours * late
        if clauses.level == "replacement":
            full = (found.replacement_cost + found.replacement_hours * late)[:, :years]
            allowed = np.minimum(full, clauses.limit_a_year / level)
            capped = np.divide(allowed, full, out=np.ones(shape), where=full > 0)
            parts["replacement"] += allowed
    return Costs({name: part * level for name, part in parts.items()}, level, capped)


def _sums(
    futures: Futures, placed: tuple[IntArray, IntArray], mask: BoolArray, worth: FloatArray | None
) -> FloatArray:
    """(R, T) the worth of the happenings at the heaters of the mask; None: their number."""
    cell, heater = placed
    weights = (mask if worth is None else np.where(mask, worth, 0.0))[heater]
    sums = np.bincount(cell, weights, minlength=futures.paths * futures.years)
    return np.asarray(sums.reshape(futures.paths, futures.years))


def _dearness(counts: FloatArray, rates: Rates, futures: Futures) -> FloatArray:
    """(R, T) how dear the year's repairs turn out against their mean: a Gamma sum of as many repairs."""
    from scipy.special import gammaincinv

    if rates.repair_spread <= 0:
        return np.ones_like(counts)
    shape = np.maximum(counts, 1) / rates.repair_spread**2
    return np.asarray(gammaincinv(shape, futures.luck[:, : counts.shape[1]]) / shape)


def quote(
    costs: Costs, clauses: Clauses, margin: float, loss_chance: float, price: float | None = None
) -> Quote:
    """The first-year price that keeps both the margin wished and the chance of loss borne; or the one given.

    Raises ValueError for a margin outside 0 to 0.9 or a chance outside 0.01 to 0.5.
    """
    if not 0 <= margin <= 0.9 or not 0.01 <= loss_chance <= 0.5:
        raise ValueError("margin from 0 to 90 %, chance of loss from 1 to 50 %")
    factor, total = revenue_factor(clauses), costs.total
    expected = float(total.mean())
    for_margin = expected / (1 - margin) / factor
    for_chance = float(np.quantile(total, 1 - loss_chance)) / factor
    asked = max(for_margin, for_chance) if price is None else price
    chance = float((total > asked * factor).mean())
    low, middle, high = (float(value) for value in np.quantile(total, [0.1, 0.5, 0.9]))
    return Quote(
        price=asked,
        for_margin=for_margin,
        for_chance=for_chance,
        expected_cost=expected,
        revenue=asked * factor,
        chance_of_loss=chance,
        chance_error=float(np.sqrt(max(chance * (1 - chance), 1 / len(total)) / len(total))),
        break_even=expected / factor,
        tenth=low,
        middle=middle,
        ninetieth=high,
    )


@dataclass(frozen=True)
class Expected:
    """What the contract is expected to hold, whole contract."""

    care_trips: float
    care_hours: float
    repairs: float
    repair_hours: float
    failures: float
    replacements: float
    after_hours_share: float
    by_part: dict[str, float]


def expectations(
    futures: Futures,
    care: Care,
    rates: Rates,
    clauses: Clauses,
    costs: Costs | None = None,
    counted: Tally | None = None,
) -> Expected:
    found = costs or cost_paths(futures, care, rates, clauses, counted)
    covers = clauses.level != "care"
    enrolled, years = clauses.enrolled, clauses.years
    sums = counted or tally(futures, rates, enrolled, clauses.replaced)
    repairs = sums.repairs[:, :years].sum(axis=1).mean()
    hours = (sums.repair_hours - sums.repairs * rates.trip_hours)[:, :years].sum(axis=1).mean()
    failures = sums.failures[:, :years].sum(axis=1).mean()
    units = _sums(futures, futures.failed, enrolled & clauses.replaced, None)[:, :years]
    replaced = float((units * found.capped).sum(axis=1).mean())
    return Expected(
        care_trips=float(trips_a_year(care, clauses, rates).sum() * years),
        care_hours=float(care.minutes[enrolled].sum() / 60 * years),
        repairs=float(repairs) if covers else 0.0,
        repair_hours=float(hours) if covers else 0.0,
        failures=float(failures) if covers else 0.0,
        replacements=replaced if clauses.level == "replacement" else 0.0,
        after_hours_share=clauses.after_hours_share if covers else 0.0,
        by_part={name: float(part.sum(axis=1).mean()) for name, part in found.parts.items()},
    )


def heater_shares(
    futures: Futures, care: Care, rates: Rates, clauses: Clauses, costs: Costs
) -> tuple[FloatArray, FloatArray]:
    """(N,) each heater's expected cost and its share of the risk; those left out have 0.

    The expected costs sum to the contract's.  The risk is allotted by covariance with the whole cost, so the
    shares sum to 1: a heater that costs when all cost weighs more than one that costs at another time.
    """
    count, paths, years = len(futures.heater_ids), futures.paths, clauses.years
    hour, extra = rates.labour_per_hour, rates.labour_per_hour * (rates.after_hours_times - 1)
    trip, late = rates.trip + rates.trip_hours * hour, clauses.after_hours_share * extra
    fixed = np.where(clauses.enrolled, care.minutes / 60 * hour + care.materials, 0.0)
    fixed += trips_a_year(care, clauses, rates) * trip
    own = fixed * costs.level.sum(axis=1).mean()
    by_path = np.zeros((paths, count))
    if clauses.level != "care":
        repair = rates.repair_hours * hour + rates.repair_materials + trip
        repair = repair + (rates.repair_hours + rates.trip_hours) * late
        call = (rates.call_hours * hour + trip + (rates.call_hours + rates.trip_hours) * late) * np.ones(
            count
        )
        by_path += _by_heater(futures, futures.repaired, clauses.enrolled, repair, costs.level, years)
        by_path += _by_heater(futures, futures.failed, clauses.enrolled, call, costs.level, years)
    if clauses.level == "replacement":
        unit = rates.replacement + rates.replacement_hours * late
        mask = clauses.enrolled & clauses.replaced
        by_path += _by_heater(futures, futures.failed, mask, unit, costs.level * costs.capped, years)
    expected = own + by_path.mean(axis=0)
    deviation = costs.total - costs.total.mean()
    together = (by_path - by_path.mean(axis=0)).T @ deviation / paths
    whole = float(together.sum())
    risk = together / whole if whole > 0 else np.where(clauses.enrolled, 1 / clauses.enrolled.sum(), 0.0)
    return expected, np.asarray(risk)


def _by_heater(
    futures: Futures,
    placed: tuple[IntArray, IntArray],
    mask: BoolArray,
    worth: FloatArray,
    level: FloatArray,
    years: int,
) -> FloatArray:
    cell, heater = placed
    path, year = cell // futures.years, cell % futures.years
    kept = mask[heater] & (year < years)
    path, year, heater = path[kept], year[kept], heater[kept]
    count = len(futures.heater_ids)
    sums = np.bincount(path * count + heater, worth[heater] * level[path, year], futures.paths * count)
    return np.asarray(sums.reshape(futures.paths, count))


def heater_prices(
    futures: Futures, care: Care, rates: Rates, clauses: Clauses, costs: Costs, asked: Quote
) -> FloatArray:
    """(N,) what each heater adds to the first-year price: its expected cost, and its part of what is asked above."""
    expected, risk = heater_shares(futures, care, rates, clauses, costs)
    factor = revenue_factor(clauses)
    above = asked.revenue - float(expected.sum())
    return np.asarray((expected + above * risk) / factor)
