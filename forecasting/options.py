"""From a fit to the choices of each heater: its own survival, that of the unit going in, and the worth of each year."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from forecasting.capped import Choices
from forecasting.episodes import FloatArray, FutureStates, IntArray
from forecasting.policy import AgeReplacement, Worth, best_age, choice_worth, long_run_cost
from forecasting.posterior import Posterior
from forecasting.risk import (
    AGEING_COVARIATES,
    ageing_profile,
    building_multipliers,
    check_states,
    chunk_risk,
    kind_chunks,
    march,
    pick_draws,
)
from forecasting.threads import in_threads

YEARS_FOLLOWED = 60
NEW_UNITS_AT_ONCE = 10_000  # keeps the coming years of the successors small in memory


def survival_curves(
    posterior: Posterior, states: FutureStates, years: int = YEARS_FOLLOWED, most_draws: int = 200
) -> FloatArray:
    """(N, years + 1) chance of still working 0..years from today, averaged over the draws."""
    check_states(posterior, states)
    draws = pick_draws(posterior, most_draws)
    multipliers = building_multipliers(posterior, states, draws)
    answer = np.ones((len(states.heater_ids), years + 1))

    def one(block: tuple[int, IntArray]) -> None:
        kind, rows = block
        risk = chunk_risk(posterior, states, multipliers, draws, kind, rows, years)
        for year, survival in march(risk, range(1, years + 1)):
            answer[rows, year] = survival.mean(axis=1, dtype=float)

    in_threads(one, list(kind_chunks(states)))
    return np.minimum.accumulate(np.clip(answer, 0.0, 1.0), axis=1)


def new_unit_curves(
    posterior: Posterior,
    states: FutureStates,
    successor_kind: IntArray,
    years: int = YEARS_FOLLOWED,
    most_draws: int = 100,
) -> FloatArray:
    """(N, years + 1) survival of a unit of age 0 going in at each place.

    It takes over the place's water, pressure, use and building; its anode and scale go as this fleet's do at its
    age.  successor_kind (K,) is the kind that follows each kind.
    """
    check_states(posterior, states)
    profile = ageing_profile(posterior, states)
    answer = np.empty((len(states.heater_ids), years + 1))
    for start in range(0, len(answer), NEW_UNITS_AT_ONCE):
        rows = np.arange(start, min(start + NEW_UNITS_AT_ONCE, len(answer)))
        kind = np.asarray(successor_kind, dtype=np.int64)[states.kind[rows]]
        fresh = _new_units(posterior, states, rows, kind, profile[:, :years])
        answer[rows] = survival_curves(posterior, fresh, years, most_draws)
    return answer


def _new_units(
    posterior: Posterior, states: FutureStates, rows: IntArray, kind: IntArray, profile: FloatArray
) -> FutureStates:
    """A unit of age 0 at each of these heaters' places, of the kind given for each."""
    lasting = states.x[rows, 0].copy()
    lasting[:, [place for place, name in enumerate(posterior.covariates) if name in AGEING_COVARIATES]] = 0.0
    return replace(
        states,
        heater_ids=states.heater_ids[rows],
        kind=kind,
        building=states.building[rows],
        position_id=states.position_id[rows],
        property_id=states.property_id[rows],
        age_nodes=np.zeros((len(rows), 1)),
        age_weights=np.ones((len(rows), 1)),
        x=lasting[:, None, :] + profile[kind],
        known={},
    )


def kind_curves(
    posterior: Posterior,
    states: FutureStates,
    years: int = YEARS_FOLLOWED,
    most_draws: int = 200,
    most_heaters: int = 200,
) -> dict[int, FloatArray]:
    """By kind, (years + 1, 3): how many of the units put in new still work 0..years later; mean, P10, P90 over the draws.

    A kind's units go in where its heaters in service stand (``most_heaters`` of them at most, evenly spaced).  The
    interval is that of the share itself: what is not known of the parameters, not the chance of a single unit.
    """
    check_states(posterior, states)
    draws, profile = pick_draws(posterior, most_draws), ageing_profile(posterior, states)
    answer = {}
    for kind in np.unique(states.kind):
        found = np.flatnonzero(states.kind == kind)
        rows = found[
            np.unique(np.linspace(0, len(found) - 1, min(len(found), most_heaters)).round().astype(int))
        ]
        fresh = _new_units(posterior, states, rows, states.kind[rows], profile[:, :years])
        multipliers = building_multipliers(posterior, fresh, draws)
        risk = chunk_risk(posterior, fresh, multipliers, draws, int(kind), np.arange(len(rows)), years)
        curve = np.ones((years + 1, 3))
        for year, survival in march(risk, range(1, years + 1)):
            working = survival.mean(axis=0, dtype=float)
            curve[year] = working.mean(), *np.quantile(working, (0.1, 0.9))
        answer[int(kind)] = curve
    return answer


@dataclass(frozen=True)
class Options:
    """What a capital plan is chosen from."""

    worth: Worth
    choices: Choices
    new_unit_cost_a_year: FloatArray  # (N,) g
    survival: FloatArray  # (N, Y+1)


def plan_options(
    posterior: Posterior,
    states: FutureStates,
    building_id: IntArray,
    planned_cost: FloatArray,
    emergency_cost: FloatArray,
    period_edges_years: Sequence[float] | FloatArray,
    successor_kind: IntArray,
    visit_cost: float = 0.0,
    price_growth: float = 0.0,
    discount_rate: float = 0.0,
) -> Options:
    """Choices of every heater in service, in the order of ``states.heater_ids``.

    Costs and worths are expected money of today, discounted at (1 + discount) / (1 + growth) - 1; what a plan
    sets aside in a period is the planned price grown to its middle, rounded to the cent.  ``visit_cost`` is the
    part of a planned price that further heaters of the same building and period do not pay again.
    Prices are (N,), or (N, T) by period.  Raises PlanConflict for a price below 0 or a horizon of 0.
    """
    real = (1 + discount_rate) / (1 + price_growth) - 1
    edges = np.asarray(period_edges_years, dtype=float)
    survival = survival_curves(posterior, states)
    fresh = new_unit_curves(posterior, states, successor_kind)
    lasting = [price if price.ndim == 1 else price[:, -1] for price in (planned_cost, emergency_cost)]
    g, _ = long_run_cost(fresh, lasting[0], lasting[1], real)
    worth = choice_worth(survival, planned_cost, emergency_cost, g, edges, real)
    level = (1 + price_growth) ** ((edges[:-1] + edges[1:]) / 2)
    choices = Choices(
        heater_ids=states.heater_ids,
        building=building_id,
        property_id=states.property_id,
        cost=np.column_stack([worth.planned, worth.later]),
        spend=np.round((planned_cost[:, None] if planned_cost.ndim == 1 else planned_cost) * level, 2),
        saving=worth.survival * worth.discount * visit_cost,
        visit=np.round(visit_cost * level, 2),
    )
    return Options(worth, choices, g, survival)


def best_age_of_kind(
    posterior: Posterior, kind: int, planned_cost: float, emergency_cost: float
) -> AgeReplacement:
    """Best age of a typical heater of a kind, draw by draw."""
    return best_age(
        np.exp(posterior.log_shape[:, kind]),
        np.exp(posterior.log_scale[:, kind]),
        planned_cost,
        emergency_cost,
    )
