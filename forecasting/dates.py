"""Dates of heaters made into possible lives: vague install dates as quadrature nodes, vague endings as gaps.

A date known to within two months counts as its middle.  Wider install bounds get Gauss-Legendre nodes,
weighted by the chance that a typical heater lives to the day observation begins: of the heaters put in
during a period, those still there are the younger ones.  The weights use the typical life below, not the
fit's (engineering judgement); what the record adds enters through the likelihood of each node.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecasting.states import BoolArray, FloatArray, IntArray, Lives, calendar_years

FAILURE_ENDINGS: tuple[str, ...] = ("tank_leak", "failed_beyond_repair")
EXACT_WITHIN_YEARS = 62 / 365.25
VAGUE_INSTALL_DAYS = 366  # an install date of so many days is not known to the year
PRIOR_LIFE_SPAN_YEARS = 30.0  # an install date with no lower bound lies at most this far before the record
MADE_TO_INSTALLED_YEARS = 2.0  # a unit is put in within two years of being made (common practice, no source)
TYPICAL_MEDIAN_YEARS = 12.5
TYPICAL_SHAPE = 2.5
SHORTEST_YEARS = 0.5 / 365.25  # a failure on the day observation begins gets half a day
OLDEST_YEARS = 120.0
NODES_NARROW, NODES_WIDE, NODES_UNKNOWN = 3, 5, 8


@dataclass(frozen=True)
class Dates:
    """Per heater (N,), in calendar years: bounds of the install date, observation, ending."""

    install_low: FloatArray
    install_high: FloatArray
    start: FloatArray
    end: FloatArray  # ending, or the day of the forecast
    gap_from: FloatArray  # a failure fell in (gap_from, end]; inf = at end, or no failure
    failed: BoolArray

    @property
    def install_known(self) -> BoolArray:
        """Whether the install date is as good as exact."""
        return np.asarray(self.install_high - self.install_low <= EXACT_WITHIN_YEARS)


def install_on_record(heaters: pd.DataFrame) -> BoolArray:
    """Whether at least the year of the install is on record; an age from anything vaguer is an assumed one."""
    window = (heaters["installed_latest"] - heaters["installed_earliest"]).dt.days
    return np.asarray(window < VAGUE_INSTALL_DAYS)


def known_heaters(heaters: pd.DataFrame, as_of: float) -> pd.DataFrame:
    """Heaters on record by the day of the forecast, with a fresh index."""
    if heaters["heater_id"].duplicated().any():
        twice = heaters.loc[heaters["heater_id"].duplicated(), "heater_id"].iloc[0]
        raise ValueError(f"heater {twice} stands twice in column heater_id; each heater needs one row")
    start = calendar_years(heaters["record_start"])
    installed = calendar_years(heaters["installed_earliest"])
    first = np.where(np.isnan(start), installed, start)
    return heaters[~(first > as_of + 1e-9)].reset_index(drop=True)


def read_dates(heaters: pd.DataFrame, as_of: float) -> Dates:
    """Bounds on every date, as far as they were known on the day of the forecast."""
    low, high = calendar_years(heaters["installed_earliest"]), calendar_years(heaters["installed_latest"])
    made_low, made_high = calendar_years(heaters["made_earliest"]), calendar_years(heaters["made_latest"])
    start = calendar_years(heaters["record_start"])
    start = np.where(
        np.isnan(start), np.where(np.isnan(low), np.where(np.isnan(high), as_of, high), low), start
    )
    made_high = np.where(np.isnan(made_high), made_low, made_high)
    no_bounds = np.isnan(low) & np.isnan(high)
    high = np.where(no_bounds, made_high + MADE_TO_INSTALLED_YEARS, high)
    # A heater on record was there when its record began, so a vague install is not later than that.
    vague = ~(low == high)
    high = np.where(np.isnan(high), np.fmax(start, low), high)
    high = np.where(vague, np.fmax(np.fmin(high, start), np.fmax(low, made_low)), high)
    low = np.fmax(low, np.where(vague, made_low, np.nan))
    low = np.where(np.isnan(low), np.fmin(high, start) - PRIOR_LIFE_SPAN_YEARS, low)
    low = np.fmin(low, high)
    end, gap_from, failed = _endings(heaters, start, as_of)
    return Dates(low, high, start, end, gap_from, failed)


def _endings(
    heaters: pd.DataFrame, start: FloatArray, as_of: float
) -> tuple[FloatArray, FloatArray, BoolArray]:
    early, late = calendar_years(heaters["ended_earliest"]), calendar_years(heaters["ended_latest"])
    ending = heaters["ending"].fillna("").to_numpy(dtype=object)
    ended = (ending != "") | ~np.isnan(early) | ~np.isnan(late)
    early = np.where(np.isnan(early), np.where(np.isnan(late), start, np.fmin(start, late)), early)
    late = np.where(np.isnan(late), np.where(early > start, early, as_of), late)
    late = np.fmax(late, early)
    ended &= early <= as_of
    # An ending that may have come after the day of the forecast was not known then: watched until it began.
    open_ended = ended & (late > as_of + 1e-9)
    failed = np.isin(ending.astype(str), FAILURE_ENDINGS) & ended & ~open_ended
    narrow = late - early <= EXACT_WITHIN_YEARS
    middle = (early + late) / 2
    end = np.where(ended, np.where(failed & ~narrow, late, middle), as_of)
    end = np.where(open_ended, early, end)
    gap_from = np.where(failed & ~narrow, early, np.inf)
    return end, gap_from, failed


def typical_log_survival(age: FloatArray) -> FloatArray:
    """Log chance that a typical heater reaches an age in years."""
    return np.asarray(-np.log(2.0) * (np.maximum(age, 0.0) / TYPICAL_MEDIAN_YEARS) ** TYPICAL_SHAPE)


def install_nodes(dates: Dates, until: FloatArray) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """Heater, node number, install time and log weight of every possible install date.

    Weights are those of heaters that lived to ``until``; over the nodes of a heater they sum to 1.
    """
    width = dates.install_high - dates.install_low
    count = np.select(
        [width <= EXACT_WITHIN_YEARS, width <= 1.1, width <= 12.0],
        [1, NODES_NARROW, NODES_WIDE],
        NODES_UNKNOWN,
    ).astype(np.int64)
    heater = np.repeat(np.arange(len(width)), count)
    node = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    place, weight = np.empty(len(heater)), np.empty(len(heater))
    for size in (1, NODES_NARROW, NODES_WIDE, NODES_UNKNOWN):
        points, weights = np.polynomial.legendre.leggauss(size)
        these = count[heater] == size
        place[these], weight[these] = (points[node[these]] + 1) / 2, weights[node[these]] / 2
    install = dates.install_low[heater] + place * width[heater]
    log_weight = np.log(weight) + typical_log_survival(until[heater] - install)
    log_weight[count[heater] == 1] = 0.0
    return heater, node, install, normalised(heater, log_weight)


def normalised(heater: IntArray, log_weight: FloatArray) -> FloatArray:
    """Log weights that sum to 1 over each heater; rows of a heater stand together."""
    starts = np.flatnonzero(np.diff(heater, prepend=-1))
    if not len(starts):
        return log_weight
    sizes = np.diff(np.append(starts, len(heater)))
    top = np.repeat(np.maximum.reduceat(log_weight, starts), sizes)
    total = np.add.reduceat(np.exp(log_weight - top), starts)
    return np.asarray(log_weight - top - np.repeat(np.log(total), sizes))


def possible_lives(dates: Dates) -> tuple[Lives, IntArray, FloatArray]:
    """Lives that the dates allow, with node numbers and log weights; heaters with none are left out."""
    heater, _, install, log_weight = install_nodes(dates, dates.start)
    start = np.maximum(dates.start[heater], install)
    end, failed = dates.end[heater], dates.failed[heater]
    end = np.where(failed & (end <= start) & (end >= start - EXACT_WITHIN_YEARS), start + SHORTEST_YEARS, end)
    gap = np.where(np.isfinite(dates.gap_from[heater]), np.maximum(dates.gap_from[heater], start), np.inf)
    keep = (end > start + 1e-9) & (end - install <= OLDEST_YEARS)
    heater, install, start, end, gap = heater[keep], install[keep], start[keep], end[keep], gap[keep]
    log_weight = normalised(heater, log_weight[keep])
    starts = np.flatnonzero(np.diff(heater, prepend=-1))
    number = np.arange(len(heater)) - np.repeat(starts, np.diff(np.append(starts, len(heater))))
    return Lives(heater, install, start, end, gap), number.astype(np.int64), log_weight
