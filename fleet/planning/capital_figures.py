"""A solved plan as stored figures: years, lines, reserve, best ages. Whole cents, so that every list sums."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

from fleet.planning.capital_chain import Ground, Wishes, caps_of_years, money
from fleet.planning.capital_ways import Way, pairs, way_row

if TYPE_CHECKING:
    from forecasting.capped import CappedPlan


def result(ground: Ground, wishes: Wishes, plan: CappedPlan, ways: dict[str, Way]) -> dict[str, Any]:
    waiting_all = float(ground.options.worth.run_to_failure.sum())
    rows = _year_rows(ground, wishes, plan, ways["capped"])
    return {
        "years": rows,
        "planned_total": str(sum((Decimal(row["set_aside"]) for row in rows), Decimal(0))),
        "heaters_planned": int((plan.period >= 0).sum()),
        "heaters": len(ground.options.choices.heater_ids),
        "saving": str(money(waiting_all - plan.cost)),
        "planned_saving": str(sum((_gain(ground, plan, row) for row in range(len(plan.period))), Decimal(0))),
        "gap": str(money(plan.gap)),
        "method": plan.method,
        "scenarios": [
            way_row(way, ways["run_to_failure"]) | {"contribution": str(money(_needed(ground, wishes, way)))}
            for way in ways.values()
        ],
        "pairs": pairs(ways),
        "kinds": _best_ages(ground),
        "reserve": _reserve(ground, wishes, ways["capped"]),
        "paths": int(ways["capped"].cost.shape[0]),
        "made_of": ground.pricing.made_of,
        "homes_assumed": _homes_assumed(ground),
    }


def _homes_assumed(ground: Ground) -> int:
    """Heaters in service whose homes are not on record; those that left service cut nobody off."""
    heaters = ground.records.heaters
    return int(heaters.loc[heaters["ending"] == "", "units_served"].isna().sum())


def _gain(ground: Ground, plan: CappedPlan, row: int) -> Decimal:
    """What planning one heater saves against running it to failure; nothing where it is not planned."""
    at = int(plan.period[row])
    if at < 0:
        return Decimal(0)
    return money(float(ground.options.worth.run_to_failure[row] - ground.options.choices.cost[row, at]))


def _year_rows(ground: Ground, wishes: Wishes, plan: CappedPlan, way: Way) -> list[dict[str, Any]]:
    """Set aside = sum of the lines less the ways shared, in cents, so that every list sums to the year."""
    import numpy as np

    caps = caps_of_years(ground.years, wishes.cap)
    low, high = np.quantile(way.cost, [0.1, 0.9], axis=0)
    rows = []
    for at, year in enumerate(ground.years):
        those = plan.period == at
        whole = sum((money(value) for value in ground.options.choices.spend[those, at]), Decimal(0))
        visits = len(set(ground.options.choices.building[those].tolist()))
        visit = money(ground.options.choices.visit[at])
        shared = visit * (int(those.sum()) - visits)
        rows.append(
            {
                "label": year.label,
                "start": str(year.start),
                "last_day": str(year.last_day),
                "heaters": int(those.sum()),
                "visits": visits,
                "visit": str(visit),
                "shared_visits": str(shared),
                "set_aside": str(whole - shared),
                "cap": str(caps[at]),
                "left": str(caps[at] - (whole - shared)),
                "emergencies": round(float(way.failures[:, at].mean()), 2),
                "homes": round(float(way.homes[:, at].mean()), 2),
                "cost": str(money(way.cost[:, at].mean())),
                "cost_p10": str(money(low[at])),
                "cost_p90": str(money(high[at])),
            }
        )
    return rows


def _fund(ground: Ground, wishes: Wishes) -> Any:
    import numpy as np

    from forecasting.reserve import Fund

    draws = float(wishes.other_draws) * _parts(ground)
    return Fund.level(float(wishes.opening_balance), float(wishes.interest), ground.edges, np.asarray(draws))


def _parts(ground: Ground) -> Any:
    """The part of a year that each period is: a level contribution pays by it."""
    import numpy as np

    return np.minimum(np.diff(ground.edges), 1.0)


def _needed(ground: Ground, wishes: Wishes, way: Way) -> float:
    """The level yearly contribution that the limit needs."""
    from forecasting.reserve import contribution_for

    return contribution_for(_fund(ground, wishes), way.cost, float(wishes.shortfall_limit), _parts(ground))


def _reserve(ground: Ground, wishes: Wishes, way: Way) -> dict[str, Any]:
    """The fund under this plan: balances, chance of falling short, percent funded, special assessments."""
    import numpy as np

    from forecasting.reserve import balances, shortfalls

    fund = _fund(ground, wishes)
    needed = _needed(ground, wishes, way)
    paid = needed if wishes.contribution is None else float(wishes.contribution)
    pays = paid * _parts(ground)
    held = balances(fund, pays, way.cost)
    falls = shortfalls(fund, pays, way.cost)
    expected = way.cost.mean(axis=0) + fund.other_draws
    plain = shortfalls(fund, expected, way.cost)
    low, middle, high = np.quantile(held, [0.1, 0.5, 0.9], axis=0)
    return {
        **_funded(ground, wishes),
        "opening_balance": str(wishes.opening_balance),
        "interest": str(wishes.interest),
        "other_draws": str(wishes.other_draws),
        "shortfall_limit": str(wishes.shortfall_limit),
        "needed": str(money(needed)),
        "contribution": str(money(paid)),
        "contribution_entered": wishes.contribution is not None,
        "shortfall_chance": round(falls.any_period, 4),
        "shortfall_mean": str(money(falls.mean_when_any)),
        "years": [
            {
                "label": year.label,
                "contribution": str(money(pays[at])),
                "draws": str(money(expected[at])),
                "p10": str(money(low[at])),
                "p50": str(money(middle[at])),
                "p90": str(money(high[at])),
                "shortfall": round(float(falls.by_period[at]), 4),
            }
            for at, year in enumerate(ground.years)
        ],
        "expected_a_year": str(money(expected.sum() / float(np.asarray(ground.edges)[-1]))),
        "assessment_chance": round(plain.any_period, 4),
        "assessment_mean": str(money(plain.mean_when_any)),
    }


def _funded(ground: Ground, wishes: Wishes) -> dict[str, Any]:
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
    }


def _best_ages(ground: Ground) -> list[dict[str, Any]]:
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


def lines(ground: Ground, plan: CappedPlan) -> list[dict[str, Any]]:
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
        rows.append(
            {
                "heater_id": heater,
                "period": at,
                "set_aside": money(choices.spend[row, at]) if at >= 0 else Decimal(0),
                "p_fail_before": round(before, 6),
                "risk_avoided": money(avoided),
                "saving": _gain(ground, plan, row),
                "waiting_cost": money(worth.waiting_cost[row]),
                "new_unit_a_year": money(worth.new_unit_a_year[row]),
            }
        )
    return rows
