"""How often a service is done in a building: what to presume before its records begin and in years to come."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecasting.dates import Dates
from forecasting.states import ANODE_NEW, FLUSH, FloatArray, Marks, Site

SHORTEST_INTERVAL_YEARS = 0.25
HABIT_SERVICES = 3  # so many of one service in a building tell how often it is done there
LONGEST_HABIT_YEARS = 12.0  # done more rarely than this is no habit to count on


def building_rates(
    heaters: pd.DataFrame, dates: Dates, marks: Marks, as_of: float
) -> dict[int, pd.Series[float]]:
    """How often a year each service is done to one heater, by building; 0 where too rarely to be a habit.

    Services of the very day are left out: what is planned or tried today is not yet a habit.
    """
    building = pd.Series(heaters["building_id"].to_numpy(dtype=np.int64))
    watched = pd.Series(np.maximum(dates.end - dates.start, 0.0)).groupby(building).sum()
    rates = {}
    for what in (FLUSH, ANODE_NEW):
        past = (marks.what == what) & (marks.time < as_of - 1e-6)
        done = building.iloc[marks.heater[past]].value_counts().reindex(watched.index, fill_value=0)
        rates[what] = (done / watched.clip(lower=0.5)).where(done >= HABIT_SERVICES, 0.0)
    return rates


def habit_interval(marks: Marks, what: int, site: Site, rate: pd.Series[float], as_of: float) -> FloatArray:
    """Years between services of a heater: its building's habit, else its own (done twice or more), else never."""
    n = len(site.building)
    past = (marks.what == what) & (marks.time < as_of - 1e-6)
    times = np.bincount(marks.heater[past], minlength=n)
    first, last = np.full(n, np.inf), np.full(n, -np.inf)
    np.minimum.at(first, marks.heater[past], marks.time[past])
    np.maximum.at(last, marks.heater[past], marks.time[past])
    own = np.full(n, np.inf)
    habit = times >= 2
    own[habit] = (last[habit] - first[habit]) / (times[habit] - 1)
    of_building = rate.reindex(site.building).fillna(0.0).to_numpy(dtype=np.float64)
    with np.errstate(divide="ignore"):
        interval = np.where(of_building > 0, 1 / of_building, own)
    interval = np.maximum(interval, SHORTEST_INTERVAL_YEARS)
    return np.asarray(np.where(interval <= LONGEST_HABIT_YEARS, interval, np.inf))


def presumed_past(site: Site, dates: Dates, rates: dict[int, pd.Series[float]]) -> Marks:
    """One service before the record of each heater began, where its building has the habit.

    A building that renews anodes every four years will have done so before anyone kept records, so its old
    heaters are not presumed neglected: the last service is put half an interval before the record began.
    It is a matter of the building, the same for heaters that lived and heaters that died.
    """
    presumed = Marks(np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.int64), np.zeros(0))
    for what in (FLUSH, ANODE_NEW):
        rate = rates[what].reindex(site.building).fillna(0.0).to_numpy(dtype=np.float64)
        with np.errstate(divide="ignore"):
            interval = np.where(rate > 0, 1 / rate, np.inf)
        usual = interval <= LONGEST_HABIT_YEARS
        time = dates.start - np.where(usual, np.maximum(interval, SHORTEST_INTERVAL_YEARS), 0.0) / 2
        known_old = usual & (dates.install_high < time)
        heater = np.flatnonzero(known_old)
        extra = Marks(heater, time[heater], np.full(len(heater), what), np.full(len(heater), np.nan))
        presumed = presumed.with_more(extra)
    return presumed
