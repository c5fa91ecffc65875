"""The coming years of the heaters in service: ages and covariate states (see ``episodes.FutureStates``)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from forecasting import anode
from forecasting.dates import install_nodes, install_on_record, known_heaters, read_dates
from forecasting.episodes import FutureStates, Records
from forecasting.habits import building_rates, habit_interval, presumed_past
from forecasting.pieces import cut_lives
from forecasting.states import (
    ANODE_NEW,
    FLUSH,
    SETPOINT,
    BoolArray,
    FloatArray,
    IntArray,
    Lives,
    Marks,
    Pieces,
    Site,
    calendar_year_of,
    read_marks,
    read_site,
)

CARE = ("as_recorded", "kept_up", "none")
KEPT_UP_FLUSH_YEARS = 1.0  # common practice, no source
KEPT_UP_ANODE_SHARE = 0.6  # renewed when this share of the median life of a rod has passed (judgement)


def look_ahead(
    records: Records,
    posterior_kinds: Sequence[str],
    posterior_buildings: Sequence[int],
    horizon_years: int,
    care: str,
) -> FutureStates:
    """See ``episodes.future_states``."""
    if care not in CARE:
        raise ValueError(f"care {care!r}: choose from {', '.join(CARE)}")
    if horizon_years < 1:
        raise ValueError(f"horizon_years must be at least 1, got {horizon_years}")
    as_of = calendar_year_of(records.as_of)
    heaters = known_heaters(records.heaters, as_of)
    everyone = read_dates(heaters, as_of)
    rates = building_rates(heaters, everyone, read_marks(heaters, records.services, as_of), as_of)
    ending = heaters["ending"].fillna("").to_numpy(dtype=object)
    ended = (ending != "") | heaters[["ended_earliest", "ended_latest"]].notna().any(axis=1).to_numpy(
        dtype=bool
    )
    in_service = ~ended | (everyone.end >= as_of - 1e-9) & ~everyone.failed
    heaters = heaters[in_service].reset_index(drop=True)
    dates = read_dates(heaters, as_of)
    kind = pd.Index(posterior_kinds).get_indexer(pd.Index(heaters["kind"]))
    if np.any(kind < 0):
        odd = heaters.iloc[int(np.argmax(kind < 0))]
        raise ValueError(
            f"heater {odd['heater_id']}, column kind: {odd['kind']!r} has no lifetime in this fit"
        )
    heater, node, install, log_weight = install_nodes(dates, np.full(len(heaters), as_of))
    ages = np.zeros((len(heaters), int(node.max(initial=0)) + 1))
    weights = np.zeros_like(ages)
    ages[heater, node] = np.maximum(as_of - install, 0.0)
    weights[heater, node] = np.exp(log_weight)
    site = read_site(heaters, records.waters, as_of)
    mean_install = as_of - (ages * weights).sum(axis=1)
    marks = read_marks(heaters, records.services, as_of).with_more(presumed_past(site, dates, rates))
    marks = marks.with_more(_coming_care(marks, site, mean_install, rates, as_of, horizon_years, care))
    buildings = pd.Index(np.asarray(posterior_buildings, dtype=np.int64))
    return FutureStates(
        heater_ids=heaters["heater_id"].to_numpy(dtype=np.int64),
        kind=kind.astype(np.int64),
        building=buildings.get_indexer(pd.Index(site.building)).astype(np.int64),
        position_id=heaters["position_id"].to_numpy(dtype=np.int64),
        property_id=heaters["property_id"].to_numpy(dtype=np.int64),
        age_nodes=ages,
        age_weights=weights,
        x=_yearly(mean_install, marks, site, as_of, horizon_years),
        known={**_known_with_services(site, marks, as_of), "age": install_on_record(heaters)},
    )


def _known_with_services(site: Site, marks: Marks, as_of: float) -> dict[str, BoolArray]:
    past = marks.time <= as_of + 1e-9
    changed = np.zeros(len(site.building), dtype=bool)
    changed[marks.heater[past & (marks.what == SETPOINT)]] = True
    return {**site.known, "setpoint": site.known["setpoint"] | changed}


def _coming_care(
    marks: Marks,
    site: Site,
    install: FloatArray,
    rates: dict[int, pd.Series[float]],
    as_of: float,
    horizon: int,
    care: str,
) -> Marks:
    """Services to come: flushes and anode renewals at the interval that ``care`` means for each heater."""
    coming = Marks(np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.int64), np.zeros(0))
    if care == "none":
        return coming
    for what in (FLUSH, ANODE_NEW):
        chosen = marks.what == what
        last = install.copy()
        np.maximum.at(last, marks.heater[chosen], marks.time[chosen])
        if care == "kept_up":
            interval = _kept_up_interval(what, site)
            due = np.maximum(last + interval, as_of)
        else:
            interval = habit_interval(marks, what, site, rates[what], as_of)
            # One long overdue was passed over before: it is not done first thing.
            due = np.maximum(last + interval, as_of + interval / 4)
        coming = coming.with_more(_repeat(what, due, interval, as_of, horizon))
    return coming


def _kept_up_interval(what: int, site: Site) -> FloatArray:
    if what == FLUSH:
        return np.full(len(site.building), KEPT_UP_FLUSH_YEARS)
    life = anode.remaining_life_years(site.wear, 0.0, quantiles=(0.5,))[0]
    usable = site.wear.wears & site.wear.protects & ~site.tankless
    return np.asarray(np.where(usable, np.maximum(KEPT_UP_ANODE_SHARE * life, 1.0), np.inf))


def _repeat(what: int, due: FloatArray, interval: FloatArray, as_of: float, horizon: int) -> Marks:
    """Marks at ``due``, due + interval, due + 2 intervals, ... within the horizon."""
    usable = np.flatnonzero(np.isfinite(interval) & np.isfinite(due))
    step = interval[usable]
    due = np.maximum(due[usable], as_of + 1e-6)
    count = np.maximum(np.ceil((as_of + horizon - due) / step), 0).astype(np.int64)
    heater = np.repeat(usable, count)
    turn = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    time = np.repeat(due, count) + turn * np.repeat(step, count)
    return Marks(heater, time, np.full(len(heater), what), np.full(len(heater), np.nan))


def _yearly(install: FloatArray, marks: Marks, site: Site, as_of: float, horizon: int) -> FloatArray:
    """Covariates (N, H, P): the mean over each coming year."""
    n = len(install)
    # Cut at every turn of the coming years, so that each piece lies within one of them.
    turns = Marks(
        np.repeat(np.arange(n), horizon),
        np.tile(as_of + np.arange(horizon, dtype=float), n),
        np.zeros(n * horizon, dtype=np.int64),
        np.full(n * horizon, np.nan),
    )
    lives = Lives(
        np.arange(n),
        np.minimum(install, as_of),
        np.full(n, as_of),
        np.full(n, as_of + horizon),
        np.full(n, np.inf),
    )
    pieces = cut_lives(lives, marks.with_more(turns), site, join=False)
    return _averaged(pieces, n, as_of, horizon)


def _averaged(pieces: Pieces, n: int, as_of: float, horizon: int) -> FloatArray:
    span = pieces.finish - pieces.begin
    year = np.clip(np.floor((pieces.begin + pieces.finish) / 2 - as_of), 0, horizon - 1).astype(np.int64)
    cell: IntArray = pieces.life * horizon + year
    total = np.bincount(cell, weights=span, minlength=n * horizon)
    columns = [
        np.bincount(cell, weights=span * pieces.x[:, j], minlength=n * horizon)
        for j in range(pieces.x.shape[1])
    ]
    mean = np.column_stack(columns) / np.maximum(total, 1e-12)[:, None]
    return np.asarray(mean.reshape(n, horizon, pieces.x.shape[1]))
