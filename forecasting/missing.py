"""What is not known of the heaters in service, and how much knowing it would narrow the money of coming years.

For an input nobody wrote down, the forecast is run with each answer it may turn out to have.  By the law of total
variance, Var(C) = E[Var(C | answer)] + Var(E[C | answer]): the second part is what knowing the answer takes away.
C is the cost of first failures within the horizon; answers are shared by the heaters of a building where the
thing is the building's (its water), else independent from heater to heater.

The year a building was built changes no heater's chance: it decides whether the ages of the heaters found there are
evidence (``standing``). Its worth is how much a fit that hears them narrows the same cost.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from forecasting.dates import VAGUE_INSTALL_DAYS, install_on_record
from forecasting.episodes import FloatArray, FutureStates, IntArray, Records, future_states
from forecasting.outlook import failure_probabilities
from forecasting.posterior import Posterior
from forecasting.states import numbers

TANKLESS = ("gas_tankless", "electric_tankless")
STALE_ANODE_DAYS = 730
LONG_AGO = 1850.0  # a year built that is old enough by any measure
FEWEST_KNOWN = 4  # fewer measured values than this say little of the others
SPREAD_SHARES = (1 / 6, 1 / 2, 5 / 6)  # three equally likely answers: the middles of three thirds
Scenario = Callable[[Records, list[int]], Records]


@dataclass(frozen=True)
class Input:
    """Something the plan would like to know: who lacks it, and the equally likely answers, each as a change."""

    name: str
    lacking: Callable[[Records, pd.DataFrame], pd.Series[bool]]
    answers: Callable[[Records], list[Scenario]]
    of_building: bool = False


def in_service(records: Records) -> pd.DataFrame:
    """Heaters without an ending, freshly numbered."""
    return records.heaters[records.heaters["ending"] == ""].reset_index(drop=True)


def missing_inputs(records: Records) -> pd.DataFrame:
    """One row for each input a heater in service lacks: input, heater_id, building_id."""
    heaters = in_service(records)
    if heaters.empty:
        return pd.DataFrame({"input": [], "heater_id": [], "building_id": []})
    parts = [
        heaters.loc[
            entry.lacking(records, heaters).to_numpy(dtype=bool), ["heater_id", "building_id"]
        ].assign(input=entry.name)
        for entry in INPUTS
    ]
    return pd.concat(parts, ignore_index=True)[["input", "heater_id", "building_id"]]


def value_of_knowing(
    posterior: Posterior,
    records: Records,
    failure_costs: Mapping[int, float],
    horizon_years: int = 10,
    most_draws: int = 100,
    refit: Callable[[Records], Posterior] | None = None,
) -> pd.DataFrame:
    """How much each missing input adds to the spread of the cost of failures, largest first.

    ``failure_costs`` gives the money a failure of each heater in service costs.  Returns one row an input:
    input, heaters (how many lack it), answers_needed (heaters or buildings to look at), sd_removed (money),
    sd_now (standard deviation of the cost today), sd_known (the same with this input known).  Sums over inputs
    do not add up: two inputs can each explain part of the same spread.  ``refit`` fits changed records; without it
    the year built is not priced.  Raises KeyError for a heater without a cost.
    """
    missing = missing_inputs(records)
    states = future_states(records, posterior.kinds, posterior.buildings, horizon_years)
    chances = failure_probabilities(posterior, states, (horizon_years,), most_draws)[:, :, 0]
    cost = np.array([float(failure_costs[int(heater)]) for heater in states.heater_ids])
    now = float(np.var(cost @ chances) + np.sum(cost**2 * (chances * (1 - chances)).mean(axis=1)))
    run = _Run(posterior, records, states, horizon_years, most_draws)
    rows = []
    shared = 0.0
    for entry in INPUTS:
        lacking = missing[missing["input"] == entry.name]
        if lacking.empty or (entry.name == "year_built" and refit is None):
            continue
        if entry.name == "year_built" and refit is not None:
            rows.append((entry.name, *run.by_age_of_building(refit, lacking["building_id"], cost)))
            continue
        at = np.flatnonzero(np.isin(states.heater_ids, lacking["heater_id"].to_numpy()))
        expected, weight = run.by_age(at) if entry.name == "age" else run.by_answer(entry, at)
        own = float(_variance(cost[at, None] * expected, weight).sum())
        places = lacking.set_index("heater_id")["building_id"].reindex(states.heater_ids[at]).to_numpy()
        removed, needed = own, len(at)
        if entry.of_building:
            sums = pd.DataFrame(cost[at, None] * expected).groupby(places).sum().to_numpy()
            removed, needed = float(_variance(sums, np.full(sums.shape, 1 / sums.shape[1])).sum()), len(sums)
        shared += max(removed - own, 0.0)
        rows.append((entry.name, len(at), needed, removed))
    total = now + shared
    found = [
        (name, heaters, needed, removed**0.5, total**0.5, max(total - removed, 0.0) ** 0.5)
        for name, heaters, needed, removed in sorted(rows, key=lambda row: -row[3])
    ]
    return pd.DataFrame(
        found, columns=["input", "heaters", "answers_needed", "sd_removed", "sd_now", "sd_known"]
    )


def _variance(value: FloatArray, weight: FloatArray) -> FloatArray:
    """Variance over the answers, row by row."""
    mean = (value * weight).sum(axis=1, keepdims=True)
    return np.asarray((weight * (value - mean) ** 2).sum(axis=1))


@dataclass(frozen=True)
class _Run:
    """Chances of failure of some heaters in service under each answer, averaged over the draws."""

    posterior: Posterior
    records: Records
    states: FutureStates
    horizon_years: int
    most_draws: int

    def by_age(self, at: IntArray) -> tuple[FloatArray, FloatArray]:
        """One answer for each age the heater can have: (n, Q) chances and weights."""
        nodes = self.states.age_nodes.shape[1]
        chances = []
        for node in range(nodes):
            alone = replace(
                self.states,
                age_nodes=self.states.age_nodes[:, [node]],
                age_weights=np.ones((len(self.states.heater_ids), 1)),
            )
            chances.append(self._mean(alone)[at])
        return np.stack(chances, axis=1), self.states.age_weights[at]

    def by_age_of_building(
        self, refit: Callable[[Records], Posterior], building_ids: pd.Series[int], cost: FloatArray
    ) -> tuple[int, int, float]:
        """Heaters, buildings, variance removed: half of what it is when all prove old, for old or not is even odds."""
        numbers_of = building_ids.unique()
        found = _built_long_ago(self.records, numbers_of)
        before, after = (self._variance_of(one, cost) for one in (self.posterior, refit(found)))
        return len(building_ids), len(numbers_of), max(before - after, 0.0) / 2

    def _variance_of(self, posterior: Posterior, cost: FloatArray) -> float:
        """Variance of the cost on every draw there is: two fits are compared, so it must not be rough."""
        every = len(posterior.dispersion)
        p = failure_probabilities(posterior, self.states, (self.horizon_years,), every)[:, :, 0]
        return float(np.var(cost @ p) + np.sum(cost**2 * (p * (1 - p)).mean(axis=1)))

    def by_answer(self, entry: Input, at: IntArray) -> tuple[FloatArray, FloatArray]:
        """Equally likely answers: (n, answers) chances and weights."""
        ids = [int(heater) for heater in self.states.heater_ids[at]]
        chances = []
        for change in entry.answers(self.records):
            states = future_states(
                change(self.records, ids), self.posterior.kinds, self.posterior.buildings, self.horizon_years
            )
            chances.append(self._mean(states)[at])
        expected = np.stack(chances, axis=1)
        return expected, np.full(expected.shape, 1 / expected.shape[1])

    def _mean(self, states: FutureStates) -> FloatArray:
        chances = failure_probabilities(self.posterior, states, (self.horizon_years,), self.most_draws)
        return np.asarray(chances[:, :, 0].mean(axis=1))


def _measured(values: pd.Series[float], otherwise: tuple[float, ...]) -> list[float]:
    """Three equally likely values as the fleet's own known ones are spread; else the stated ones."""
    known = values.dropna().astype(float)
    if len(known) < FEWEST_KNOWN:
        return list(otherwise)
    return [float(value) for value in np.quantile(known, SPREAD_SHARES)]


def _column(name: str, otherwise: tuple[float, ...]) -> Callable[[Records], list[Scenario]]:
    """Answers for a number that stands in the heaters' frame."""

    def answers(records: Records) -> list[Scenario]:
        return [_set(name, value) for value in _measured(in_service(records)[name], otherwise)]

    return answers


def _set(name: str, value: float | bool) -> Scenario:
    def change(records: Records, heater_ids: list[int]) -> Records:
        heaters = records.heaters.copy()
        heaters.loc[heaters["heater_id"].isin(heater_ids), name] = value
        return replace(records, heaters=heaters)

    return change


def _serviced(kind: str, left: float = np.nan, days_ago: int = 0) -> Scenario:
    def change(records: Records, heater_ids: list[int]) -> Records:
        day = pd.Timestamp(records.as_of) - pd.Timedelta(days=days_ago)
        added = pd.DataFrame(
            {"heater_id": heater_ids, "kind": kind, "done_earliest": day, "done_latest": day}
        )
        added["anode_left_fraction"] = left
        added["setpoint_f"] = np.nan
        services = (
            added if records.services.empty else pd.concat([records.services, added], ignore_index=True)
        )
        return replace(records, services=services)

    return change


def _as_it_stands(records: Records, heater_ids: list[int]) -> Records:
    return records


def _hardness_tests(records: Records) -> pd.DataFrame:
    waters = records.waters
    return waters[waters["hardness_mg_l"].notna() & (waters["treatment"] == "raw")]


def _water_answers(records: Records) -> list[Scenario]:
    latest = _hardness_tests(records).groupby("building_id")["hardness_mg_l"].last()
    return [_tested(value) for value in _measured(latest, ASSUMED_HARDNESS_MG_L)]


def _tested(hardness_mg_l: float) -> Scenario:
    def change(records: Records, heater_ids: list[int]) -> Records:
        heaters = records.heaters
        buildings = heaters.loc[heaters["heater_id"].isin(heater_ids), "building_id"].unique()
        added = pd.DataFrame({"building_id": buildings}).reindex(columns=records.waters.columns)
        added = added.assign(
            treatment="raw", tested_on=pd.Timestamp(records.as_of), hardness_mg_l=float(hardness_mg_l)
        )
        waters = (
            added
            if records.waters.empty
            else pd.concat([records.waters, added.dropna(axis=1, how="all")], ignore_index=True)
        )
        return replace(records, waters=waters)

    return change


def _done(records: Records, kinds: tuple[str, ...], since_days: int | None = None) -> set[int]:
    services = records.services
    found = services[services["kind"].isin(kinds)]
    if since_days is not None:
        found = found[found["done_latest"] >= pd.Timestamp(records.as_of) - pd.Timedelta(days=since_days)]
    return set(found["heater_id"])


def _lacks_age(records: Records, heaters: pd.DataFrame) -> pd.Series[bool]:
    return pd.Series(~install_on_record(heaters), index=heaters.index)


def _built_long_ago(records: Records, building_ids: IntArray) -> Records:
    of_them = records.heaters["building_id"].isin(building_ids)
    built = pd.Series(numbers(records.heaters, "building_built"), index=records.heaters.index)
    return replace(records, heaters=records.heaters.assign(building_built=built.mask(of_them, LONG_AGO)))


def _lacks_year_built(records: Records, heaters: pd.DataFrame) -> pd.Series[bool]:
    """Year unknown, of a building in which some heater of known age stood when the record began."""
    everyone = records.heaters
    found = install_on_record(everyone) & (everyone["record_start"] > everyone["installed_latest"])
    unknown = np.isnan(numbers(everyone, "building_built"))
    return heaters["building_id"].isin(everyone.loc[found & unknown, "building_id"])


def _lacks_water(records: Records, heaters: pd.DataFrame) -> pd.Series[bool]:
    return ~heaters["building_id"].isin(_hardness_tests(records)["building_id"])


def _lacks_setpoint(records: Records, heaters: pd.DataFrame) -> pd.Series[bool]:
    """Asked of the forecast itself, so that this says lacking exactly where the plan assumes."""
    # Of all on record: one that was taken out today still stands as the forecast counts, and may be the last of its kind.
    everyone = records.heaters
    kinds, buildings = sorted(set(everyone["kind"])), sorted(set(everyone["building_id"]))
    states = future_states(records, kinds, buildings, 1)
    return heaters["heater_id"].isin(states.heater_ids[~states.known["setpoint"]])


def _lacks_anode_state(records: Records, heaters: pd.DataFrame) -> pd.Series[bool]:
    """A tank with a rod that nobody looked at, or renewed, in two years, and that is not itself that new."""
    services = records.services
    seen = services["anode_left_fraction"].notna() | (services["kind"] == "anode_renewed")
    recent = services["done_latest"] >= pd.Timestamp(records.as_of) - pd.Timedelta(days=STALE_ANODE_DAYS)
    looked_at = set(services.loc[seen & recent, "heater_id"])
    wears = ~heaters["kind"].isin(TANKLESS) & ~heaters["anode_kind"].isin(["none", "powered"])
    return wears & ~heaters["heater_id"].isin(looked_at) & ~_newer_than(records, heaters, STALE_ANODE_DAYS)


def _lacks_flush_record(records: Records, heaters: pd.DataFrame) -> pd.Series[bool]:
    flushed = _done(records, ("flush", "descaled"))
    return ~heaters["heater_id"].isin(flushed) & ~_newer_than(records, heaters, VAGUE_INSTALL_DAYS)


def _newer_than(records: Records, heaters: pd.DataFrame, days: int) -> pd.Series[bool]:
    return heaters["installed_latest"] > pd.Timestamp(records.as_of) - pd.Timedelta(days=days)


def _lacks_expansion(records: Records, heaters: pd.DataFrame) -> pd.Series[bool]:
    """Not known whether the system is closed, or, where it is closed, whether it has an expansion tank."""
    closed, tank = heaters["closed_system"], heaters["has_expansion_tank"]
    return (closed.isna() & ~(tank == True)) | ((closed == True) & tank.isna())  # noqa: E712 (None is a value too)


def _expansion_answers(records: Records) -> list[Scenario]:
    def unprotected(records: Records, heater_ids: list[int]) -> Records:
        return _set("closed_system", True)(_set("has_expansion_tank", False)(records, heater_ids), heater_ids)

    return [_set("closed_system", False), unprotected]


def _lacks(name: str) -> Callable[[Records, pd.DataFrame], pd.Series[bool]]:
    def lacking(records: Records, heaters: pd.DataFrame) -> pd.Series[bool]:
        return heaters[name].isna()

    return lacking


def _lacks_size(records: Records, heaters: pd.DataFrame) -> pd.Series[bool]:
    return heaters["capacity_gal"].isna() & ~heaters["kind"].isin(TANKLESS)


def _anode_answers(records: Records) -> list[Scenario]:
    inspected = records.services.loc[records.services["kind"] == "anode_inspected", "anode_left_fraction"]
    return [_serviced("anode_inspected", left) for left in _measured(inspected, ASSUMED_ANODE_LEFT)]


# What an unknown value may be where the fleet itself has fewer than four known ones. Common practice, no source.
ASSUMED_HARDNESS_MG_L = (45.0, 120.0, 250.0)
ASSUMED_SETPOINT_F = (120.0, 125.0, 140.0)
ASSUMED_PRESSURE_PSI = (50.0, 62.0, 85.0)
ASSUMED_ANODE_LEFT = (0.05, 0.4, 0.8)
ASSUMED_HOMES = (0.8, 1.0, 1.5)
ASSUMED_CAPACITY_GAL = (40.0, 50.0, 75.0)
INPUTS: tuple[Input, ...] = (
    Input("age", _lacks_age, lambda records: []),
    Input("year_built", _lacks_year_built, lambda records: [], of_building=True),
    Input("water_test", _lacks_water, _water_answers, of_building=True),
    Input("setpoint", _lacks_setpoint, _column("setpoint_f", ASSUMED_SETPOINT_F)),
    Input("anode_state", _lacks_anode_state, _anode_answers),
    Input(
        "flush_record", _lacks_flush_record, lambda records: [_as_it_stands, _serviced("flush", days_ago=180)]
    ),
    Input(
        "static_pressure", _lacks("static_pressure_psi"), _column("static_pressure_psi", ASSUMED_PRESSURE_PSI)
    ),
    Input("expansion_control", _lacks_expansion, _expansion_answers),
    Input("homes_served", _lacks("units_served"), _column("units_served", ASSUMED_HOMES)),
    Input("capacity", _lacks_size, _column("capacity_gal", ASSUMED_CAPACITY_GAL)),
)
