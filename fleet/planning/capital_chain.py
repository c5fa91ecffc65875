"""Records and wishes to a capital plan: the fit of a stored run again, the choices, the solver, the comparison.

Reads and writes no rows. Heavy libraries are imported inside the functions: only a worker or a command gets here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from fleet.planning import chain, periods
from fleet.planning.prices import Pricing

if TYPE_CHECKING:
    from forecasting.capped import CappedPlan
    from forecasting.episodes import FutureStates, Records
    from forecasting.options import Options
    from forecasting.posterior import Posterior
    from forecasting.streams import Streams

CENT = Decimal("0.01")
PLAIN_AGE_YEARS = 12
LARGEST_PATHS = 4_000_000  # numbers in one table of paths, heaters counted: keeps a big portfolio quick


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


@dataclass(frozen=True)
class Answer:
    result: dict[str, Any]
    lines: list[dict[str, Any]]


@dataclass(frozen=True)
class _Ground:
    """What every scenario shares: one fit, one set of states, one set of prices."""

    posterior: Posterior
    states: FutureStates
    pricing: Pricing
    asked: chain.Asked
    years: tuple[periods.FiscalYear, ...]
    edges: list[float]
    options: Options


def compute(
    records: Records,
    price: Callable[[list[int]], Pricing],
    asked: chain.Asked,
    wishes: Wishes,
    progress: chain.Progress,
    cancelled: Callable[[], bool],
) -> Answer:
    """The plan and its comparison on the same draws. Raises PlanConflict with the figures that conflict."""
    if records.heaters.empty or not (records.heaters["ending"] == "").any():
        raise chain.NothingToForecast("No heater is in service on that day, so there is nothing to plan for.")
    ground = _ground(records, price, asked, wishes, progress, cancelled)
    progress(0.65, "Choosing the year of each heater")
    plan = _solve(ground, wishes)
    progress(0.8, "Following each way of doing it through the same paths")
    streams = {
        "capped": _paths(ground, planned_period=plan.period),
        "run_to_failure": _paths(ground),
        "by_age": _paths(ground, planned_age_years=float(PLAIN_AGE_YEARS)),
    }
    result = _result(ground, wishes, plan, streams)
    return Answer(result, _lines(ground, plan))


def _ground(
    records: Records,
    price: Callable[[list[int]], Pricing],
    asked: chain.Asked,
    wishes: Wishes,
    progress: chain.Progress,
    cancelled: Callable[[], bool],
) -> _Ground:
    import numpy as np

    from forecasting.episodes import future_states
    from forecasting.options import plan_options

    posterior, _ = chain.fit_records(records, asked, progress, cancelled)
    progress(0.6, "Weighing each year for each heater")
    states = future_states(records, posterior.kinds, posterior.buildings, wishes.horizon_years + 1)
    pricing = price([int(heater) for heater in states.heater_ids])
    months = [asked.fiscal_start_months.get(int(number), 1) for number in set(states.property_id)]
    years = periods.fiscal_years(records.as_of, periods.most_common_month(months), wishes.horizon_years)
    edges = periods.cells_of([years]).edges_years()
    buildings = records.heaters.set_index("heater_id")["building_id"].loc[states.heater_ids.tolist()]
    options = plan_options(
        posterior,
        states,
        buildings.to_numpy(dtype=np.int64),
        np.asarray([float(cost) for cost in pricing.planned]),
        np.asarray([float(cost) for cost in pricing.emergency]),
        edges,
        np.arange(len(posterior.kinds)),
        float(wishes.visit_cost),
        asked.growth_mean,
        wishes.discount_rate,
    )
    return _Ground(posterior, states, pricing, asked, years, edges, options)


def caps_of_years(ground_years: tuple[periods.FiscalYear, ...], cap: Decimal) -> list[Decimal]:
    """The cap of each fiscal year; the rest of a running year gets its share by days."""
    return [
        cap if year.whole else (cap * (year.end - year.start).days / 365).quantize(CENT)
        for year in ground_years
    ]


def _solve(ground: _Ground, wishes: Wishes) -> CappedPlan:
    import numpy as np

    from forecasting.policy import Limits, capped_plan

    ids = ground.states.heater_ids
    money = np.asarray([float(cap) for cap in caps_of_years(ground.years, wishes.cap)])
    crew = None
    if wishes.crew is not None:
        crew = np.asarray(
            [
                np.floor(wishes.crew * (1 if year.whole else (year.end - year.start).days / 365))
                for year in ground.years
            ]
        )
    must = np.where(np.isin(ids, wishes.must), len(ground.years) - 1, -1)
    return capped_plan(
        ground.options.choices, Limits(money, crew=crew, must_by=must, must_not=np.isin(ids, wishes.must_not))
    )


def _paths(ground: _Ground, **policy: Any) -> Streams:
    import numpy as np

    from forecasting.renewal import Prices, replacement_streams

    count = len(ground.states.heater_ids)
    return replacement_streams(
        ground.posterior,
        ground.states,
        np.asarray(ground.edges),
        np.zeros(count, dtype=np.int64),
        1,
        Prices(
            planned_cost=np.asarray([float(cost) for cost in ground.pricing.planned]),
            emergency_cost=np.asarray([float(cost) for cost in ground.pricing.emergency]),
            growth_mean=ground.asked.growth_mean,
            growth_sd=ground.asked.growth_sd,
            by="heater",
        ),
        np.arange(len(ground.posterior.kinds)),
        paths=int(min(ground.asked.draws, 1000)),
        seed=ground.asked.seed,
        **policy,
    )


def money(value: Any) -> Decimal:
    return Decimal(repr(round(float(value), 2))).quantize(CENT)


def _result(ground: _Ground, wishes: Wishes, plan: CappedPlan, streams: dict[str, Streams]) -> dict[str, Any]:
    worth, choices = ground.options.worth, ground.options.choices
    waiting_all = float(worth.run_to_failure.sum())
    values = {
        "capped": plan.cost,
        "run_to_failure": waiting_all,
        "by_age": _by_age_worth(ground),
    }
    scenarios = [
        _scenario(ground, wishes, name, streams[name], streams["run_to_failure"], waiting_all - values[name])
        for name in ("capped", "run_to_failure", "by_age")
    ]
    rows = _year_rows(ground, wishes, plan, streams["capped"])
    return {
        "years": rows,
        "planned_total": str(sum((Decimal(row["set_aside"]) for row in rows), Decimal(0))),
        "heaters_planned": int((plan.period >= 0).sum()),
        "heaters": len(choices.heater_ids),
        "saving": str(money(waiting_all - plan.cost)),
        "gap": str(money(plan.gap)),
        "method": plan.method,
        "scenarios": scenarios,
        "kinds": _best_ages(ground),
        "reserve": _reserve(ground, wishes) | _assessment(ground, wishes, streams["capped"]),
        "paths": int(streams["capped"].cost.shape[0]),
        "made_of": ground.pricing.made_of,
    }


def _year_rows(ground: _Ground, wishes: Wishes, plan: CappedPlan, stream: Streams) -> list[dict[str, Any]]:
    """Set aside = sum of the lines less the ways shared, in cents, so that every list sums to the year."""
    emergencies = stream.values("failures").mean(axis=0)
    caps = caps_of_years(ground.years, wishes.cap)
    rows = []
    for at, year in enumerate(ground.years):
        those = plan.period == at
        whole = sum((money(value) for value in ground.options.choices.spend[those, at]), Decimal(0))
        visits = len(set(ground.options.choices.building[those].tolist()))
        shared = money(ground.options.choices.visit[at]) * (int(those.sum()) - visits)
        rows.append(
            {
                "label": year.label,
                "start": str(year.start),
                "last_day": str(year.last_day),
                "heaters": int(those.sum()),
                "visits": visits,
                "shared_visits": str(shared),
                "set_aside": str(whole - shared),
                "cap": str(caps[at]),
                "left": str(caps[at] - (whole - shared)),
                "emergencies": round(float(emergencies[at]), 2),
            }
        )
    return rows


def _by_age_worth(ground: _Ground) -> float:
    """Worth of replacing everything at the plain age; what reaches it after the horizon is left to the best choice."""
    import numpy as np

    worth, edges = ground.options.worth, np.asarray(ground.edges)
    age = (ground.states.age_nodes * ground.states.age_weights).sum(axis=1)
    at = np.searchsorted(edges, np.maximum(PLAIN_AGE_YEARS - age, 0.0), side="right") - 1
    table = np.column_stack([worth.planned, worth.later])
    return float(table[np.arange(len(age)), np.minimum(at, table.shape[1] - 1)].sum())


def _scenario(
    ground: _Ground, wishes: Wishes, name: str, stream: Streams, plain: Streams, value: float
) -> dict[str, Any]:
    import numpy as np

    total, difference = stream.total("cost"), stream.total("cost") - plain.total("cost")
    low, high = np.quantile(total, [0.1, 0.9])
    low_difference, high_difference = np.quantile(difference, [0.1, 0.9])
    failures, plain_failures = stream.total("failures"), plain.total("failures")
    return {
        "name": name,
        "cost": str(money(total.mean())),
        "cost_p10": str(money(low)),
        "cost_p90": str(money(high)),
        "difference": str(money(difference.mean())),
        "difference_p10": str(money(low_difference)),
        "difference_p90": str(money(high_difference)),
        "emergencies": round(float(failures.mean()), 1),
        "emergencies_avoided": round(float((plain_failures - failures).mean()), 1),
        "planned": round(float(stream.total("planned").mean()), 1),
        "long_run_saving": str(money(value)),
        "contribution": str(money(_contribution(ground, wishes, stream))),
    }


def _fund(ground: _Ground, wishes: Wishes) -> Any:
    from forecasting.reserve import Fund

    return Fund.level(float(wishes.opening_balance), float(wishes.interest), ground.edges)


def _contribution(ground: _Ground, wishes: Wishes, stream: Streams) -> float:
    """A level yearly contribution, by its part in a part of a year."""
    import numpy as np

    from forecasting.reserve import contribution_for

    part = np.minimum(np.diff(ground.edges), 1.0)
    return contribution_for(_fund(ground, wishes), stream.values("cost"), float(wishes.shortfall_limit), part)


def _reserve(ground: _Ground, wishes: Wishes) -> dict[str, Any]:
    """Percent funded by straight line: useful life is the typical life of the kind."""
    import numpy as np

    from forecasting.reserve import fully_funded_balance, percent_funded

    posterior, states = ground.posterior, ground.states
    medians = np.log(2.0) ** (1.0 / np.exp(posterior.log_shape)) * np.exp(posterior.log_scale)
    life = np.median(medians, axis=0)[states.kind]
    age = (states.age_nodes * states.age_weights).sum(axis=1)
    cost = np.asarray([float(value) for value in ground.pricing.planned])
    full = float(fully_funded_balance(cost, age, life).sum())
    return {
        "fully_funded": str(money(full)),
        "percent_funded": round(percent_funded(float(wishes.opening_balance), full), 1),
        "opening_balance": str(wishes.opening_balance),
        "interest": str(wishes.interest),
        "shortfall_limit": str(wishes.shortfall_limit),
    }


def _assessment(ground: _Ground, wishes: Wishes, stream: Streams) -> dict[str, Any]:
    """What paying only the plan's expected cost risks: the chance and size of a special assessment."""
    import numpy as np

    from forecasting.reserve import shortfalls

    expected = stream.values("cost").mean(axis=0)
    found = shortfalls(_fund(ground, wishes), expected, stream.values("cost"))
    return {
        "expected_a_year": str(money(expected.sum() / float(np.asarray(ground.edges)[-1]))),
        "assessment_chance": round(found.any_period, 4),
        "assessment_mean": str(money(found.mean_when_any)),
    }


def _best_ages(ground: _Ground) -> list[dict[str, Any]]:
    """Best age of a typical heater of each kind with its 80 % interval, at the mean prices of that kind."""
    import numpy as np

    from forecasting.options import best_age_of_kind

    planned = np.asarray([float(value) for value in ground.pricing.planned])
    emergency = np.asarray([float(value) for value in ground.pricing.emergency])
    rows = []
    for number in np.unique(ground.states.kind).tolist():
        mine = ground.states.kind == number
        found = best_age_of_kind(
            ground.posterior, number, float(planned[mine].mean()), float(emergency[mine].mean())
        )
        ages = [None if np.isinf(age) else round(age, 1) for age in found.interval()]
        rows.append(
            {
                "kind": ground.posterior.kinds[number],
                "heaters": int(mine.sum()),
                "advice": found.advice,
                "low": ages[0],
                "best": ages[1],
                "high": ages[2],
                "cost_a_year": str(money(found.cost_a_year.mean())),
                "run_to_failure_a_year": str(money(found.run_to_failure_a_year.mean())),
            }
        )
    return rows


def _lines(ground: _Ground, plan: CappedPlan) -> list[dict[str, Any]]:
    worth, choices, survival = ground.options.worth, ground.options.choices, ground.options.survival
    horizon = int(round(ground.edges[-1]))
    by_horizon = 1.0 - survival[:, horizon]
    rows = []
    for row, heater in enumerate(ground.states.heater_ids.tolist()):
        at = int(plan.period[row])
        before = float(by_horizon[row]) if at < 0 else float(1.0 - worth.survival[row, at])
        avoided = (
            0.0
            if at < 0
            else max(0.0, float(by_horizon[row]) - before) * float(ground.pricing.emergency[row])
        )
        gain = 0.0 if at < 0 else float(worth.run_to_failure[row] - choices.cost[row, at])
        rows.append(
            {
                "heater_id": heater,
                "period": at,
                "set_aside": money(choices.spend[row, at]) if at >= 0 else Decimal(0),
                "p_fail_before": round(before, 6),
                "risk_avoided": money(avoided),
                "saving": money(gain),
                "waiting_cost": money(worth.waiting_cost[row]),
                "new_unit_a_year": money(worth.new_unit_a_year[row]),
            }
        )
    return rows
