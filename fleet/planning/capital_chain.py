"""Records and wishes to a capital plan: the fit of a stored run again, the choices, the solver, the comparison.

Reads and writes no rows. Heavy libraries are imported inside the functions: only a worker or a command gets here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from fleet.planning import chain, periods
from fleet.planning.price_tables import price_tables, successor_kinds
from fleet.planning.prices import Pricing

if TYPE_CHECKING:
    from forecasting.capped import CappedPlan
    from forecasting.episodes import FloatArray, FutureStates, IntArray, Records
    from forecasting.options import Options
    from forecasting.posterior import Posterior

CENT = Decimal("0.01")


@dataclass(frozen=True)
class Wishes:
    """What a plan is asked for, in plain values."""

    cap: Decimal
    horizon_years: int
    crew: int | None
    visit_cost: Decimal
    must: tuple[int, ...]
    must_not: tuple[int, ...]
    opening_balance: Decimal
    shortfall_limit: Decimal
    interest: Decimal
    discount_rate: float
    property_caps: Mapping[int, Decimal] = field(default_factory=dict)
    compare_age_years: int = 12
    contribution: Decimal | None = None
    other_draws: Decimal = Decimal(0)
    item_prices: Mapping[str, Decimal] = field(default_factory=dict)


@dataclass(frozen=True)
class Answer:
    result: dict[str, Any]
    lines: list[dict[str, Any]]


@dataclass(frozen=True)
class Ground:
    """What every way of doing it shares: one record, one fit, one set of states, one set of prices."""

    records: Records
    posterior: Posterior
    states: FutureStates
    building: IntArray
    pricing: Pricing
    asked: chain.Asked
    years: tuple[periods.FiscalYear, ...]
    edges: list[float]
    options: Options
    planned: FloatArray  # (N,) or (N, T) money of today
    emergency: FloatArray
    following: IntArray  # (K,) the kind that takes over from each kind


def compute(
    records: Records,
    price: Callable[[list[int]], Pricing],
    asked: chain.Asked,
    wishes: Wishes,
    progress: chain.Progress,
    cancelled: Callable[[], bool],
) -> Answer:
    """The plan and its comparison on the same draws. Raises PlanConflict with the figures that conflict."""
    from fleet.planning import capital_figures, capital_ways

    if records.heaters.empty or not (records.heaters["ending"] == "").any():
        raise chain.NothingToForecast("No heater is in service on that day, so there is nothing to plan for.")
    ground = make_ground(records, price, asked, wishes, progress, cancelled)
    progress(0.6, "Choosing the year of each heater")
    plan = solve(ground, wishes)
    ways = capital_ways.follow(ground, wishes, plan, progress, cancelled)
    progress(0.95, "Adding up")
    result = capital_figures.result(ground, wishes, plan, ways)
    return Answer(result, capital_figures.lines(ground, plan))


def make_ground(
    records: Records,
    price: Callable[[list[int]], Pricing],
    asked: chain.Asked,
    wishes: Wishes,
    progress: chain.Progress,
    cancelled: Callable[[], bool],
) -> Ground:
    import numpy as np

    from forecasting.episodes import future_states
    from forecasting.options import plan_options

    posterior, _ = chain.fit_records(records, asked, progress, cancelled)
    progress(0.55, "Weighing each year for each heater")
    states = future_states(records, posterior.kinds, posterior.buildings, wishes.horizon_years + 1)
    pricing = price([int(heater) for heater in states.heater_ids])
    months = [asked.fiscal_start_months.get(int(number), 1) for number in set(states.property_id)]
    years = periods.fiscal_years(records.as_of, periods.most_common_month(months), wishes.horizon_years)
    edges = periods.cells_of([years]).edges_years()
    buildings = records.heaters.set_index("heater_id")["building_id"].loc[states.heater_ids.tolist()]
    building = buildings.to_numpy(dtype=np.int64)
    planned, emergency = price_tables(pricing, records.as_of, edges)
    following = successor_kinds(pricing, posterior.kinds, states.kind, records.as_of, wishes.horizon_years)
    options = plan_options(
        posterior,
        states,
        building,
        planned,
        emergency,
        edges,
        following,
        float(wishes.visit_cost),
        asked.growth_mean,
        wishes.discount_rate,
    )
    return Ground(
        records,
        posterior,
        states,
        building,
        pricing,
        asked,
        years,
        edges,
        options,
        planned,
        emergency,
        following,
    )


def caps_of_years(ground_years: tuple[periods.FiscalYear, ...], cap: Decimal) -> list[Decimal]:
    """The cap of each fiscal year; the rest of a running year gets its share by days."""
    return [
        cap if year.whole else (cap * (year.end - year.start).days / 365).quantize(CENT)
        for year in ground_years
    ]


def solve(ground: Ground, wishes: Wishes) -> CappedPlan:
    import numpy as np

    from forecasting.policy import Limits, capped_plan

    ids = ground.states.heater_ids

    def yearly(cap: Decimal) -> Any:
        return np.asarray([float(amount) for amount in caps_of_years(ground.years, cap)])

    crew = None
    if wishes.crew is not None:
        crew = np.floor(yearly(Decimal(wishes.crew)))
    must = np.where(np.isin(ids, wishes.must), len(ground.years) - 1, -1)
    limits = Limits(
        yearly(wishes.cap),
        {number: yearly(cap) for number, cap in wishes.property_caps.items()},
        crew=crew,
        must_by=must,
        must_not=np.isin(ids, wishes.must_not),
    )
    return capped_plan(ground.options.choices, limits)


def money(value: Any) -> Decimal:
    return Decimal(repr(round(float(value), 2))).quantize(CENT)
