"""Heaters found standing when the record began, whose very ages tell of the buildings and of how long heaters last.

In a building old enough to have seen several generations, whose heaters were renewed one by one as they ended, the
age of the heater found in a position has density S(a) / mean life (the backward recurrence time of a renewal
process in equilibrium: Cox, Renewal Theory, 1962, ch. 5; from memory, not verified).  With few failures on record
these ages say more than the failures do.  They say nothing, or mislead, where all heaters were put in at one time,
where one kind has been taking another's place, or where heaters are mostly replaced by plan: `found_standing` leaves
such buildings and kinds out and marks such fleets.  In buildings not known to be old the ages are no evidence on
lives, but still on which of them are hard on heaters (``recurrence``).  How far they are believed hangs on
what failed since (``agreement``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecasting.dates import TYPICAL_MEDIAN_YEARS, Dates
from forecasting.habits import LONGEST_HABIT_YEARS, SHORTEST_INTERVAL_YEARS
from forecasting.pieces import cut_lives
from forecasting.states import (
    ANODE_NEW,
    ANODE_SEEN,
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
MOVING_COLUMNS = [COVARIATES.index("anode_spent"), COVARIATES.index("sediment")]
TYPICAL_SHAPE = 2.5  # weighs a life's states into one; the states move slowly, so little hangs on it
# Ages at which a building is asked what state its heaters would be in: about where the norm of an age found is made.
ASKED_AGES = np.array([5.0, 7.0, 10.0, 14.0, 20.0])
USUAL_AGE = 10.0


@dataclass(frozen=True)
class Standing:
    """One row a heater found standing: kind, building, age then (years), mean covariates of its life till then.

    A heater of age u that might have been found in its place has mean covariates ``x_usual + x_tilt log(u / 10)``.
    ``old`` says that its building is known to be old, ``by_plan`` that plans rather than lives shaped the fleet's
    ages; ``removals_per_year`` is the rate at which heaters leave in other ways than by failing.
    """

    kind: IntArray
    building: IntArray
    age: FloatArray
    x: FloatArray  # (n, P)
    x_usual: FloatArray  # (n, P)
    x_tilt: FloatArray  # (n, P): alike for all heaters of one kind in a building
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
    age = dates.start[rows] - dates.install_low[rows]
    x = _mean_states(rows, age[:, None], dates, site, marks, rates)[:, 0]
    usual, tilt = _usual_states(rows, x, dates, site, marks, rates, np.stack([kind, building])[:, rows])
    return Standing(
        kind[rows],
        building[rows],
        age,
        x,
        usual,
        tilt,
        (others + 1) / (watched + 1 / REMOVALS_PER_YEAR),
        old,
        others > 2 and others > MOST_PLANNED_SHARE * endings + by_chance,
    )


def _usual_states(
    rows: IntArray,
    x: FloatArray,
    dates: Dates,
    site: Site,
    marks: Marks,
    rates: dict[int, pd.Series[float]],
    group: IntArray,
) -> tuple[FloatArray, FloatArray]:
    """States at the usual age, and how those that move with age do so: of one heater of each kind in a building.

    The norm of an age found runs over all the ages it might have had. With the states of the age found in it, or with
    one state for all ages, it would be no norm: where rods are renewed the old are better off than untended ones of
    their age and the young are not, and a building would pass for kinder than it is.
    """
    _, first, of = np.unique(group, axis=1, return_index=True, return_inverse=True)
    some, back = np.unique(rows[first], return_inverse=True)
    ages = np.broadcast_to(ASKED_AGES, (len(some), len(ASKED_AGES)))
    seen = marks.what != ANODE_SEEN  # a rod looked at is that heater's own
    asked = Marks(marks.heater[seen], marks.time[seen], marks.what[seen], marks.value[seen])
    states = _mean_states(some, ages, dates, site, asked, rates)[back][:, :, MOVING_COLUMNS]
    place = np.log(ASKED_AGES / USUAL_AGE)
    hazard = np.log(2) * (ASKED_AGES / TYPICAL_MEDIAN_YEARS) ** TYPICAL_SHAPE
    weight = ASKED_AGES * hazard * np.exp(-hazard)  # what an age bears on the norm; they are even in the log
    weight /= weight.sum()
    off = place - weight @ place
    slope = np.einsum("q,gqc->gc", weight * off, states) / (weight @ off**2)
    at_usual = np.einsum("q,gqc->gc", weight, states) - slope * (weight @ place)
    usual, tilt = x.copy(), np.zeros_like(x)
    usual[:, MOVING_COLUMNS], tilt[:, MOVING_COLUMNS] = at_usual[of.ravel()], slope[of.ravel()]
    return usual, tilt


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
    rows: IntArray,
    ages: FloatArray,
    dates: Dates,
    site: Site,
    marks: Marks,
    rates: dict[int, pd.Series[float]],
) -> FloatArray:
    """Covariates of lives of these ages (n, Q) on the day the record began, weighted as a typical hazard grows; (n, Q, P)."""
    heater = np.repeat(rows, ages.shape[1])
    start = dates.start[heater]
    install = start - ages.ravel()
    lives = Lives(heater, install, install, start, np.full(len(heater), np.inf))
    past = marks.with_more(_usual_care(rows, ages.max(axis=1), site, dates, rates))
    pieces = cut_lives(lives, past, site, join=False)
    begin, finish = pieces.begin - install[pieces.life], pieces.finish - install[pieces.life]
    weight = np.maximum(finish, 0) ** TYPICAL_SHAPE - np.maximum(begin, 0) ** TYPICAL_SHAPE
    total = np.bincount(pieces.life, weight, len(heater))
    columns = [np.bincount(pieces.life, weight * column, len(heater)) / total for column in pieces.x.T]
    return np.ascontiguousarray(np.column_stack(columns)).reshape(*ages.shape, -1)


def _usual_care(
    rows: IntArray, longest: FloatArray, site: Site, dates: Dates, rates: dict[int, pd.Series[float]]
) -> Marks:
    """Services before the record at the building's usual interval, so many years back."""
    found: list[tuple[IntArray, FloatArray, int]] = []
    for what in (FLUSH, ANODE_NEW):
        rate = rates[what].reindex(site.building[rows]).fillna(0.0).to_numpy(dtype=np.float64)
        with np.errstate(divide="ignore"):
            interval = np.maximum(np.where(rate > 0, 1 / rate, np.inf), SHORTEST_INTERVAL_YEARS)
        usual = np.flatnonzero(interval <= LONGEST_HABIT_YEARS)
        count = np.floor(longest[usual] / interval[usual] + 0.5).astype(np.int64)
        heater = np.repeat(usual, count)
        turn = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
        found.append((rows[heater], dates.start[rows[heater]] - (turn + 0.5) * interval[heater], what))
    heater = np.concatenate([part[0] for part in found])
    done = np.concatenate([np.full(len(part[0]), part[2]) for part in found])
    return Marks(heater, np.concatenate([part[1] for part in found]), done, np.full(len(heater), np.nan))
