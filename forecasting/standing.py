"""Heaters found standing when the record began, whose very ages tell of the buildings and of how long heaters last.

In a building old enough to have seen several generations, whose heaters were renewed one by one as they ended, the
age of the heater found in a position has density S(a) / mean life (the backward recurrence time of a renewal
process in equilibrium: Cox, Renewal Theory, 1962, ch. 5; from memory, not verified).  With few failures on record
these ages say more than the failures do.  They say nothing, or mislead, where all heaters were put in at one time,
where one kind has been taking another's place, or where heaters are mostly replaced by plan: `found_standing` leaves
such buildings and kinds out and marks such fleets.  In buildings not known to be old the ages are no evidence on
lives, but still on which of them are hard on heaters (``recurrence``).  What they say of lives is used only where the
failures agree (``agreement``).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from forecasting.dates import Dates
from forecasting.habits import LONGEST_HABIT_YEARS, SHORTEST_INTERVAL_YEARS
from forecasting.pieces import cut_lives
from forecasting.states import (
    ANODE_NEW,
    COVARIATES,
    FLUSH,
    BoolArray,
    FloatArray,
    IntArray,
    Lives,
    Marks,
    Site,
    numbers,
)

# About three published median lives: by then the renewals of Weibull lives are even to within a hundredth.
OLD_BUILDING_YEARS = 40.0
# Kinds that spread within the last decades: those in place are young because the kind is (common practice, no source).
SPREADING_KINDS = frozenset(
    {"heat_pump", "gas_tankless", "electric_tankless", "gas_storage_condensing", "gas_storage_power_vent"}
)
BATCH_YEARS = 1.0  # half of a building put in within this were put in together
BATCH_SHARE = 1 / 2
MOST_PLANNED_SHARE = (
    1 / 3
)  # of endings: clearly above it (nine times in ten), plans rather than lives shape the ages
REMOVALS_PER_YEAR = 0.015  # before the record speaks, with the weight of one removal (engineering judgement)
MOVING_COLUMNS = (COVARIATES.index("anode_spent"), COVARIATES.index("sediment"))
TYPICAL_SHAPE = 2.5  # weighs a life's states into one; the states move slowly, so little hangs on it


@dataclass(frozen=True)
class Standing:
    """One row a heater found standing: kind, building, age then (years), mean covariates of its life till then.

    ``old`` says that its building is known to be old, ``by_plan`` that plans rather than lives shaped the fleet's
    ages; ``removals_per_year`` is the rate at which heaters leave in other ways than by failing.
    """

    kind: IntArray
    building: IntArray
    age: FloatArray
    x: FloatArray  # (n, P)
    x_usual: FloatArray  # (n, P): the same for a heater of any age that might have been found there
    removals_per_year: float
    old: BoolArray
    by_plan: bool


def found_standing(
    heaters: pd.DataFrame,
    dates: Dates,
    site: Site,
    marks: Marks,
    rates: dict[int, pd.Series[float]],
    kind: IntArray,
    building: IntArray,
) -> Standing | None:
    """The heaters whose age when the record began tells something; None where there are none.

    ``heaters`` may have ``building_built`` (year); without it no building is known to be old.
    """
    rows, old = _eligible(heaters, dates, building)
    if not len(rows):
        return None
    ended = heaters["ending"].fillna("").to_numpy(dtype=object) != ""
    others, endings = int((ended & ~dates.failed).sum()), int(ended.sum())
    by_chance = 1.28 * (endings * MOST_PLANNED_SHARE * (1 - MOST_PLANNED_SHARE)) ** 0.5
    watched = float(np.maximum(dates.end - dates.start, 0.0).sum())
    age, x = dates.start[rows] - dates.install_low[rows], _mean_states(rows, dates, site, marks, rates)
    return Standing(
        kind[rows],
        building[rows],
        age,
        x,
        _usual_states(x, age, np.unique(np.stack([kind, building]), axis=1, return_inverse=True)[1][rows]),
        (others + 1) / (watched + 1 / REMOVALS_PER_YEAR),
        old,
        others > 2 and others > MOST_PLANNED_SHARE * endings + by_chance,
    )


def _usual_states(x: FloatArray, age: FloatArray, group: IntArray) -> FloatArray:
    """States that move with age, averaged over a building's heaters of a kind as their exposure weighs.

    The norm of an age found runs over all the ages it might have had; with each heater's own states in it, effects
    of states that grow with age would be pushed away from what the ages say.
    """
    weight = age**TYPICAL_SHAPE
    total = np.maximum(np.bincount(group, weight), 1e-12)
    usual = x.copy()
    for column in MOVING_COLUMNS:
        usual[:, column] = (np.bincount(group, weight * x[:, column]) / total)[group]
    return usual


def _eligible(heaters: pd.DataFrame, dates: Dates, building: IntArray) -> tuple[IntArray, BoolArray]:
    """Rows of the first heater of each position, in buildings renewed one by one; which of those are known to be old."""
    start_year = 1970 + dates.start
    built = numbers(heaters, "building_built")
    standing = dates.install_known & (dates.start > dates.install_high)
    standing &= ~np.isin(heaters["kind"].to_numpy(dtype=object).astype(str), list(SPREADING_KINDS))
    first = pd.Series(dates.start).groupby(heaters["position_id"].to_numpy()).transform("min").to_numpy()
    with np.errstate(invalid="ignore"):
        old = start_year - built >= OLD_BUILDING_YEARS
    rows = np.flatnonzero(standing & (dates.start <= first + 1e-6))
    keep = [part for part in _by_building(rows, building) if not _batch(np.sort(dates.install_low[part]))]
    # In order: `cut_lives` wants the lives of the first heater first.
    rows = np.sort(np.concatenate(keep)) if keep else np.zeros(0, dtype=np.int64)
    return rows, old[rows]


def _by_building(rows: IntArray, building: IntArray) -> list[IntArray]:
    order = rows[np.argsort(building[rows], kind="stable")]
    return np.split(order, np.flatnonzero(np.diff(building[order])) + 1) if len(order) else []


def _batch(installed: FloatArray) -> bool:
    """Whether many of a building's heaters (sorted install dates) were put in within a year."""
    upto = np.searchsorted(installed, installed + BATCH_YEARS, side="right")
    most = int((upto - np.arange(len(installed))).max())
    return most >= max(3.0, BATCH_SHARE * len(installed))


def _mean_states(
    rows: IntArray, dates: Dates, site: Site, marks: Marks, rates: dict[int, pd.Series[float]]
) -> FloatArray:
    """Covariates from birth to the day the record began, weighted as a typical hazard grows; (n, P)."""
    install, start = dates.install_low[rows], dates.start[rows]
    lives = Lives(rows, install, install, start, np.full(len(rows), np.inf))
    past = replace(marks, heater=marks.heater, time=marks.time).with_more(
        _usual_care(rows, site, dates, rates)
    )
    pieces = cut_lives(lives, past, site, join=False)
    begin, finish = pieces.begin - install[pieces.life], pieces.finish - install[pieces.life]
    weight = np.maximum(finish, 0) ** TYPICAL_SHAPE - np.maximum(begin, 0) ** TYPICAL_SHAPE
    total = np.bincount(pieces.life, weight, len(rows))
    columns = [np.bincount(pieces.life, weight * column, len(rows)) / total for column in pieces.x.T]
    return np.ascontiguousarray(np.column_stack(columns))


def _usual_care(rows: IntArray, site: Site, dates: Dates, rates: dict[int, pd.Series[float]]) -> Marks:
    """Services before the record at the building's usual interval, back to each heater's birth."""
    found: list[tuple[IntArray, FloatArray, int]] = []
    for what in (FLUSH, ANODE_NEW):
        rate = rates[what].reindex(site.building[rows]).fillna(0.0).to_numpy(dtype=np.float64)
        with np.errstate(divide="ignore"):
            interval = np.maximum(np.where(rate > 0, 1 / rate, np.inf), SHORTEST_INTERVAL_YEARS)
        usual = np.flatnonzero(interval <= LONGEST_HABIT_YEARS)
        age = (dates.start - dates.install_low)[rows[usual]]
        count = np.floor(age / interval[usual] + 0.5).astype(np.int64)
        heater = np.repeat(usual, count)
        turn = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
        found.append((rows[heater], dates.start[rows[heater]] - (turn + 0.5) * interval[heater], what))
    heater = np.concatenate([part[0] for part in found])
    done = np.concatenate([np.full(len(part[0]), part[2]) for part in found])
    return Marks(heater, np.concatenate([part[1] for part in found]), done, np.full(len(heater), np.nan))
