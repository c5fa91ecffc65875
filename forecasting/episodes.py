"""Dated records of heaters turned into exposure episodes for the lifetime model.

An episode is a stretch of one heater's life, on the age scale in years, during which its covariates
stand still.  A life is cut wherever a covariate changes, so no episode carries knowledge of the future.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from forecasting.dates import FAILURE_ENDINGS, known_heaters, possible_lives, read_dates
from forecasting.habits import building_rates, presumed_past
from forecasting.pieces import cut_lives
from forecasting.standing import Standing, found_standing
from forecasting.states import (
    COVARIATES,
    BoolArray,
    FloatArray,
    IntArray,
    calendar_year_of,
    read_marks,
    read_site,
)


@dataclass(frozen=True)
class Records:
    """Everything known of the heaters up to and including ``as_of`` (frames as the contract lists them)."""

    heaters: pd.DataFrame
    services: pd.DataFrame
    waters: pd.DataFrame
    as_of: date


@dataclass(frozen=True)
class Episodes:
    """Exposure episodes: one row an episode and install-date node; ages in years.

    A heater whose install date is vague has several nodes (possible install dates).  Its likelihood is
    ``sum over nodes of exp(node_log_weight + log likelihood of the node's rows)``; heaters with one node
    carry weight log 1 = 0.  Rows of one heater stand together, and within it rows of one node.
    """

    heater: IntArray  # (n,) index into heater_ids
    kind: IntArray  # (n,) index into kinds
    building: IntArray  # (n,) index into buildings
    entry_age: FloatArray  # (n,) years
    exit_age: FloatArray  # (n,) years, greater than entry_age
    event: BoolArray  # (n,) failed at exit_age
    interval_lower: FloatArray  # (n,) years: the failure fell in (interval_lower, exit_age]; NaN = exact
    x: FloatArray  # (n, P) covariates, 0 = typical
    node: IntArray  # (n,) node number within the heater
    node_log_weight: FloatArray  # (n,) log weight of the row's node
    heater_ids: tuple[int, ...]
    kinds: tuple[str, ...]
    buildings: tuple[int, ...]
    covariates: tuple[str, ...] = COVARIATES
    left_out: tuple[int, ...] = ()  # heaters whose dates allow no life at all, or no day of observation
    standing: Standing | None = None  # heaters whose age when the record began is evidence


@dataclass(frozen=True)
class FutureStates:
    """Heaters in service on the day of the forecast, with their covariates in each coming year."""

    heater_ids: IntArray  # (N,)
    kind: IntArray  # (N,) index into the posterior's kinds
    building: IntArray  # (N,) index into the posterior's buildings; -1 = never seen by the fit
    position_id: IntArray  # (N,)
    property_id: IntArray  # (N,)
    age_nodes: FloatArray  # (N, Q) years: possible ages
    age_weights: FloatArray  # (N, Q), each row sums to 1; unused nodes weigh 0
    x: FloatArray  # (N, H, P) covariates in coming year h
    known: dict[str, BoolArray]  # by covariate, and "age": measured rather than assumed


def build_episodes(records: Records, kinds: Sequence[str] | None = None) -> Episodes:
    """Cut the recorded lives into episodes.  ``kinds`` fixes the order of kinds (default: those seen, sorted).

    Nothing dated after ``records.as_of`` is used.  Raises ValueError when a heater number stands twice or a
    kind is not among ``kinds``.
    """
    as_of = calendar_year_of(records.as_of)
    heaters = known_heaters(records.heaters, as_of)
    names = tuple(sorted(set(heaters["kind"]))) if kinds is None else tuple(kinds)
    kind_of = pd.Index(names).get_indexer(pd.Index(heaters["kind"]))
    if np.any(kind_of < 0):
        odd = heaters.iloc[int(np.argmax(kind_of < 0))]
        raise ValueError(
            f"heater {odd['heater_id']}, column kind: {odd['kind']!r} is not one of {', '.join(names)}"
        )
    dates = read_dates(heaters, as_of)
    lives, node, log_weight = possible_lives(dates)
    marks = read_marks(heaters, records.services, as_of)
    site = read_site(heaters, records.waters, as_of)
    rates = building_rates(heaters, dates, marks, as_of)
    buildings = np.unique(heaters["building_id"].to_numpy(dtype=np.int64))
    building = np.searchsorted(buildings, heaters["building_id"].to_numpy(dtype=np.int64))
    standing = found_standing(heaters, dates, site, marks, rates, kind_of.astype(np.int64), building)
    marks = marks.with_more(presumed_past(site, dates, rates))
    pieces = cut_lives(lives, marks, site)
    last = np.diff(pieces.life, append=-1) != 0
    heater = lives.heater[pieces.life]
    install = lives.install[pieces.life]
    event = dates.failed[heater] & last
    vague = event & np.isfinite(lives.frozen_from[pieces.life])
    lower = np.where(vague, lives.frozen_from[pieces.life] - install, np.nan)
    used, row_heater = np.unique(heater, return_inverse=True)
    order = np.lexsort((np.arange(len(heater)), row_heater, building[heater], kind_of[heater]))
    ids = heaters["heater_id"].to_numpy(dtype=np.int64)
    left_out = np.setdiff1d(np.arange(len(ids)), used)
    return Episodes(
        heater=row_heater[order],
        kind=kind_of[heater][order].astype(np.int64),
        building=building[heater][order],
        entry_age=np.maximum(pieces.begin - install, 0.0)[order],
        exit_age=(pieces.finish - install)[order],
        event=event[order],
        interval_lower=lower[order],
        x=np.ascontiguousarray(pieces.x[order]),
        node=node[pieces.life][order],
        node_log_weight=log_weight[pieces.life][order],
        heater_ids=tuple(int(i) for i in ids[used]),
        kinds=names,
        buildings=tuple(int(b) for b in buildings),
        left_out=tuple(int(i) for i in ids[left_out]),
        standing=standing,
    )


def future_states(
    records: Records,
    posterior_kinds: Sequence[str],
    posterior_buildings: Sequence[int],
    horizon_years: int,
    care: str = "as_recorded",
) -> FutureStates:
    """States of the heaters in service over the coming years.

    ``care``: 'as_recorded' goes on as each heater was cared for so far, 'kept_up' flushes yearly and renews
    anodes in time, 'none' does nothing more.  For a what-if, change the records (a service dated ``as_of``,
    ``softened_since``) and call again.  Raises ValueError for an unknown kind of heater or of care.
    """
    from forecasting.futures import look_ahead  # imported here: it needs the classes above

    return look_ahead(records, posterior_kinds, posterior_buildings, horizon_years, care)


__all__ = [
    "COVARIATES",
    "FAILURE_ENDINGS",
    "BoolArray",
    "Episodes",
    "FloatArray",
    "FutureStates",
    "IntArray",
    "Records",
    "build_episodes",
    "future_states",
]
