"""The ways side by side, each followed through the same draws: failure, an age, the cap, care, soft water, a year later.

A difference of two ways is taken path by path, so that it shows what was decided and not luck.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from itertools import combinations
from typing import TYPE_CHECKING, Any

from fleet.planning.capital_chain import Ground, Wishes, money

if TYPE_CHECKING:
    from fleet.planning import chain
    from forecasting.capped import CappedPlan
    from forecasting.episodes import FloatArray, FutureStates, IntArray
    from forecasting.streams import Streams

WAYS = ("capped", "run_to_failure", "by_age", "more_care", "softening", "defer")
HOME_GROUPS = 8  # classes of homes served that failures are counted by


@dataclass(frozen=True)
class Way:
    """One way on R joint paths over T fiscal years."""

    name: str
    cost: FloatArray  # (R, T) money of the year, care and softeners included
    failures: FloatArray  # (R, T)
    planned: FloatArray  # (R, T)
    homes: FloatArray  # (R, T) homes that lose their hot water in an emergency
    care: FloatArray  # (T,) expected money of the added care that is in the cost
    long_run_saving: float | None  # against running to failure; None where it is not worked out


def follow(
    ground: Ground,
    wishes: Wishes,
    plan: CappedPlan,
    progress: chain.Progress,
    cancelled: Callable[[], bool],
) -> dict[str, Way]:
    from fleet.estate.background import Cancelled

    classes, homes = homes_of(ground)
    ways: dict[str, Way] = {}
    for number, name in enumerate(WAYS):
        progress(
            0.65 + 0.05 * number, f"Following the ways through the same paths: {number + 1} of {len(WAYS)}"
        )
        if cancelled():
            raise Cancelled
        policy, states, added = _policy(ground, wishes, plan, name)
        stream = paths(ground, states, classes, len(homes), **policy)
        care = added * stream.price_level.mean(axis=0)
        ways[name] = Way(
            name,
            stream.values("cost") + added * stream.price_level,
            stream.values("failures"),
            stream.values("planned"),
            (stream.failures * homes).sum(axis=2),
            care,
            _saving(ground, wishes, plan, name),
        )
    return ways


def homes_of(ground: Ground) -> tuple[IntArray, FloatArray]:
    """Class of each heater by the homes it serves, and the mean homes of each class; not known counts as one."""
    import numpy as np

    served = ground.records.heaters.set_index("heater_id")["units_served"].loc[
        ground.states.heater_ids.tolist()
    ]
    homes = np.nan_to_num(served.to_numpy(dtype=float), nan=1.0)
    values = np.unique(homes)
    if len(values) > HOME_GROUPS:
        values = np.unique(np.quantile(homes, np.linspace(0, 1, HOME_GROUPS + 1)[1:], method="higher"))
    classes = np.searchsorted(values, homes)
    sums = np.bincount(classes, homes, minlength=len(values))
    return classes, np.asarray(sums / np.maximum(np.bincount(classes, minlength=len(values)), 1))


def _policy(
    ground: Ground, wishes: Wishes, plan: CappedPlan, name: str
) -> tuple[dict[str, Any], FutureStates, FloatArray]:
    """What is planned, the states of the heaters, and the money added in each fiscal year at today's prices."""
    import numpy as np

    none = np.zeros(len(ground.years))
    if name == "capped":
        return {"planned_period": plan.period}, ground.states, none
    if name == "defer":
        return {"planned_period": a_year_later(ground, plan.period)}, ground.states, none
    if name == "by_age":
        return {"planned_age_years": float(wishes.compare_age_years)}, ground.states, none
    if name == "more_care":
        return {}, _states(ground, wishes, care="kept_up"), _care_money(ground, wishes)
    if name == "softening":
        return {}, _softened(ground, wishes), _softener_money(ground, wishes)
    return {}, ground.states, none


def a_year_later(ground: Ground, period: IntArray) -> IntArray:
    """Each planned replacement one whole fiscal year later; what falls out of the horizon is not planned."""
    import numpy as np

    last = len(ground.years)
    later = np.where(period < 0, -1, period + 1)
    # The rest of a running year is no whole year: what was planned there moves behind the first whole one.
    if not ground.years[0].whole and last > 2:
        later = np.where(period == 0, 2, later)
    return np.asarray(np.where(later >= last, -1, later))


def _states(ground: Ground, wishes: Wishes, care: str = "as_recorded", records: Any = None) -> FutureStates:
    from forecasting.episodes import future_states

    posterior = ground.posterior
    source = ground.records if records is None else records
    return future_states(source, posterior.kinds, posterior.buildings, wishes.horizon_years + 1, care)


def _softened(ground: Ground, wishes: Wishes) -> FutureStates:
    from forecasting.what_if import ACTIONS

    action = next(one for one in ACTIONS if one.name == "soften")
    records = action.change(ground.records, [int(pk) for pk in ground.states.heater_ids])
    return _states(ground, wishes, records=records)


def _price(wishes: Wishes, item: str) -> float:
    return float(wishes.item_prices.get(item, Decimal(0)))


def _by_fiscal_year(ground: Ground, by_year: FloatArray) -> FloatArray:
    """Money of whole years from today spread over the fiscal years."""
    import numpy as np

    so_far = np.concatenate([[0.0], np.cumsum(by_year)])
    return np.diff(np.interp(ground.edges, np.arange(len(so_far)), so_far))


def _care_money(ground: Ground, wishes: Wishes) -> FloatArray:
    from forecasting.coming_care import services_to_come

    years = wishes.horizon_years + 1
    kept, recorded = (services_to_come(ground.records, years, care) for care in ("kept_up", "as_recorded"))
    prices = {"flush": _price(wishes, "flush"), "anode_renewed": _price(wishes, "anode_renewal")}
    added = sum((kept[work] - recorded[work]) * prices[work] for work in prices)
    return _by_fiscal_year(ground, added)  # type: ignore[arg-type]


def _softener_money(ground: Ground, wishes: Wishes) -> FloatArray:
    import numpy as np

    heaters = ground.records.heaters.set_index("heater_id").loc[ground.states.heater_ids.tolist()]
    raw = heaters.loc[heaters["softened_since"].isna(), "building_id"].nunique()
    by_year = np.full(wishes.horizon_years + 1, raw * _price(wishes, "softener_year"))
    by_year[0] += raw * _price(wishes, "softener")
    return _by_fiscal_year(ground, by_year)


def paths(ground: Ground, states: FutureStates, groups: IntArray, n_groups: int, **policy: Any) -> Streams:
    import numpy as np

    from forecasting.renewal import Prices, replacement_streams

    return replacement_streams(
        ground.posterior,
        states,
        np.asarray(ground.edges),
        groups,
        n_groups,
        Prices(
            ground.planned, ground.emergency, ground.asked.growth_mean, ground.asked.growth_sd, by="heater"
        ),
        ground.following,
        paths=int(min(ground.asked.draws, 1000)),
        seed=ground.asked.seed,
        **policy,
    )


def _saving(ground: Ground, wishes: Wishes, plan: CappedPlan, name: str) -> float | None:
    from forecasting.policy import plan_cost

    waiting = float(ground.options.worth.run_to_failure.sum())
    if name == "capped":
        return waiting - plan.cost
    if name == "defer":
        return waiting - plan_cost(ground.options.choices, a_year_later(ground, plan.period))
    if name == "by_age":
        return waiting - _by_age_worth(ground, wishes.compare_age_years)
    return 0.0 if name == "run_to_failure" else None


def _by_age_worth(ground: Ground, age_years: int) -> float:
    """Worth of replacing everything at an age; what reaches it after the horizon is left to the best choice."""
    import numpy as np

    worth, edges = ground.options.worth, np.asarray(ground.edges)
    age = (ground.states.age_nodes * ground.states.age_weights).sum(axis=1)
    at = np.searchsorted(edges, np.maximum(age_years - age, 0.0), side="right") - 1
    table = np.column_stack([worth.planned, worth.later])
    return float(table[np.arange(len(age)), np.minimum(at, table.shape[1] - 1)].sum())


def way_row(way: Way, plain: Way) -> dict[str, Any]:
    """One way's figures over all years, and its difference to running to failure."""
    import numpy as np

    total = way.cost.sum(axis=1)
    low, high = np.quantile(total, [0.1, 0.9])
    failures, plain_failures = way.failures.sum(axis=1), plain.failures.sum(axis=1)
    return {
        "name": way.name,
        "cost": str(money(total.mean())),
        "cost_p10": str(money(low)),
        "cost_p90": str(money(high)),
        "spread": str(money(high) - money(low)),
        **difference(way, plain),
        "emergencies": round(float(failures.mean()), 1),
        "emergencies_avoided": round(float((plain_failures - failures).mean()), 1),
        "homes": round(float(way.homes.sum(axis=1).mean()), 1),
        "planned": round(float(way.planned.sum(axis=1).mean()), 1),
        "care": str(money(way.care.sum())),
        "long_run_saving": None if way.long_run_saving is None else str(money(way.long_run_saving)),
        "years": [str(money(value)) for value in way.cost.mean(axis=0)],
        "years_p10": [str(money(value)) for value in np.quantile(way.cost, 0.1, axis=0)],
        "years_p90": [str(money(value)) for value in np.quantile(way.cost, 0.9, axis=0)],
    }


def difference(one: Way, other: Way) -> dict[str, str]:
    """What `one` costs more than `other`, path by path."""
    import numpy as np

    found = one.cost.sum(axis=1) - other.cost.sum(axis=1)
    low, high = np.quantile(found, [0.1, 0.9])
    return {
        "difference": str(money(found.mean())),
        "difference_p10": str(money(low)),
        "difference_p90": str(money(high)),
    }


def pairs(ways: dict[str, Way]) -> list[dict[str, Any]]:
    """Every two ways against each other, on the same draws."""
    rows = []
    for first, second in combinations(ways, 2):
        one, other = ways[first], ways[second]
        cheaper = (one.cost.sum(axis=1) < other.cost.sum(axis=1)).mean()
        rows.append(
            {
                "first": first,
                "second": second,
                **difference(one, other),
                "emergencies": round(float((one.failures - other.failures).sum(axis=1).mean()), 1),
                "homes": round(float((one.homes - other.homes).sum(axis=1).mean()), 1),
                "first_cheaper": round(float(cheaper), 3),
            }
        )
    return rows
