"""Lives cut into pieces with their covariates: physics carried along each life (see ``states``)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecasting import anode, scale
from forecasting.states import (
    _EQUIVALENT_YEAR,
    ANODE_NEW,
    ANODE_SEEN,
    COVARIATES,
    FLUSH,
    SETPOINT,
    SOFTENED_HARDNESS_MG_L,
    START,
    TYPICAL_HARDNESS_MG_L,
    TYPICAL_SETPOINT_F,
    FloatArray,
    IntArray,
    Lives,
    Marks,
    Pieces,
    Site,
)

# Covariates are rounded to this for a fit, and neighbours alike to it are joined: the two that move with age
# to a fiftieth, which moves a hazard by less than one part in a hundred either way.
RESOLUTION = np.array([0.02, 0.02] + [1e-4] * (len(COVARIATES) - 2))
SHORTEST_PIECE_YEARS = 0.1  # no birthday cut leaves a piece shorter than this


@dataclass(frozen=True)
class _Points:
    """Cut points (n,) in order of life and time; piece i runs from time[i] to until[i]."""

    life: IntArray
    time: FloatArray
    until: FloatArray
    what: IntArray
    value: FloatArray
    first: IntArray  # index of the life's first point

    def last(self, mask: np.ndarray) -> IntArray:
        """Index of the last point at or before each that is in the mask, in the same life; -1 where none."""
        index = np.maximum.accumulate(np.where(mask, np.arange(len(self.life)), -1))
        return np.asarray(np.where(index >= self.first, index, -1))


def cut_lives(lives: Lives, marks: Marks, site: Site, join: bool = True) -> Pieces:
    """Pieces of every life from its start of observation to its end, with covariates at their middles."""
    points = _points(lives, marks)
    x = _covariates(points, lives, site)
    begin = np.maximum(points.time, lives.start[points.life])
    keep = points.until > begin + 1e-9
    life, begin, until, x = points.life[keep], begin[keep], points.until[keep], x[keep]
    if join and len(life):
        x = np.round(x / RESOLUTION) * RESOLUTION + 0.0
        same = (np.diff(life, prepend=-1) == 0) & np.all(np.diff(x, axis=0, prepend=np.nan) == 0, axis=1)
        heads = np.flatnonzero(~same)
        tails = np.append(heads[1:], len(life)) - 1
        life, begin, until, x = life[heads], begin[heads], until[tails], x[heads]
    return Pieces(life, begin, until, x)


def _points(lives: Lives, marks: Marks) -> _Points:
    count = len(lives.heater)
    everyone = np.arange(count)
    birthday = np.floor(np.maximum(lives.start - lives.install, 0) + SHORTEST_PIECE_YEARS) + 1
    stop = np.minimum(lives.end, lives.frozen_from)
    n_birthdays = np.maximum(np.ceil(stop - 1e-6 - lives.install - birthday), 0).astype(np.int64)
    grid_life = np.repeat(everyone, n_birthdays)
    offset = np.arange(n_birthdays.sum()) - np.repeat(np.cumsum(n_birthdays) - n_birthdays, n_birthdays)
    grid = lives.install[grid_life] + birthday[grid_life] + offset
    n_heaters = int(max(lives.heater.max(initial=-1), marks.heater.max(initial=-1))) + 1
    per_heater = np.bincount(lives.heater, minlength=n_heaters)
    first_life = np.cumsum(per_heater) - per_heater
    copies = per_heater[marks.heater]
    mark = np.repeat(np.arange(len(marks.heater)), copies)
    within = np.arange(copies.sum()) - np.repeat(np.cumsum(copies) - copies, copies)
    mark_life = first_life[marks.heater[mark]] + within
    mark_time = np.maximum(marks.time[mark], lives.install[mark_life])
    used = mark_time < stop[mark_life] - 1e-9
    mark, mark_life, mark_time = mark[used], mark_life[used], mark_time[used]
    inside = (lives.start > lives.install) & (lives.start < stop)
    life = np.concatenate([everyone, everyone[inside], grid_life, mark_life])
    time = np.concatenate([lives.install, lives.start[inside], grid, mark_time])
    plain = np.full(len(life) - len(mark), START)
    what = np.concatenate([plain, marks.what[mark]])
    value = np.concatenate([np.full(len(plain), np.nan), marks.value[mark]])
    order = np.lexsort((what, time, life))
    life, time, what, value = life[order], time[order], what[order], value[order]
    first_of_life = np.searchsorted(life, everyone)
    until = np.append(time[1:], np.inf)
    if count:
        until[np.append(first_of_life[1:], len(life)) - 1] = lives.end
    return _Points(life, time, until, what, value, first_of_life[life])


def _covariates(points: _Points, lives: Lives, site: Site) -> FloatArray:
    heater = lives.heater[points.life]
    age = points.time - lives.install[points.life]
    # The state of the running year must not know when in it the life ends: its middle is that of the whole year.
    birthday = lives.install[points.life] + np.floor(age + SHORTEST_PIECE_YEARS) + 1
    is_last = np.append(np.diff(points.life) != 0, True) if len(points.life) else np.zeros(0, dtype=bool)
    until = np.where(is_last, np.maximum(birthday, points.time), points.until)
    span = np.maximum(until - points.time, 0.0)
    middle = points.time + span / 2
    softened = middle >= site.softened_since[heater]
    building = site.building[heater]
    raw = site.raw_hardness.at(building, middle)
    soft = site.soft_hardness.at(building, middle)
    soft = np.where(np.isnan(soft), SOFTENED_HARDNESS_MG_L, soft)
    hardness = np.where(softened, soft, np.where(np.isnan(raw), TYPICAL_HARDNESS_MG_L, raw))
    changed = points.last(points.what == SETPOINT)
    setpoint = np.where(changed >= 0, points.value[np.maximum(changed, 0)], site.setpoint_f[heater])
    spent = _anode_spent(
        points, heater, age, span, setpoint, softened, site.conductivity.at(building, middle), site
    )
    sediment = _sediment(points, heater, age, span, setpoint, hardness, site)
    return np.column_stack(
        [
            spent,
            sediment,
            np.clip((hardness - TYPICAL_HARDNESS_MG_L) / 100, -2, 6),
            softened.astype(float),
            np.clip(np.nan_to_num((setpoint - TYPICAL_SETPOINT_F) / 10), -4, 6),
            site.static_x[heater],
        ]
    )


def _sediment(
    points: _Points,
    heater: IntArray,
    age: FloatArray,
    span: FloatArray,
    setpoint: FloatArray,
    hardness: FloatArray,
    site: Site,
) -> FloatArray:
    """Log scale per 10 gal since the last flush at mid-piece, less the typical heater's at that age."""
    factor = scale.kind_factor([str(k) for k in site.kind])[heater]
    warm = np.where(np.isnan(setpoint), scale.REFERENCE_SETPOINT_F, setpoint)
    draw = scale.typical_draw_gal_day(site.homes)[heater]
    typical_draw = scale.typical_draw_gal_day(site.typical_homes)[heater]
    rate = scale.scale_rate_kg_per_year(hardness, warm, draw, factor)
    typical_rate = scale.scale_rate_kg_per_year(
        TYPICAL_HARDNESS_MG_L, scale.REFERENCE_SETPOINT_F, typical_draw, factor
    )
    grown = np.cumsum(rate * span)
    before = grown - rate * span
    flushed = points.last(points.what == FLUSH)
    base = before[np.where(flushed >= 0, flushed, points.first)]
    mass = np.maximum(before + rate * span / 2 - base, 0)
    size = site.size_gal[heater]
    typical = scale.sediment_covariate(typical_rate * (age + span / 2), size)
    return np.asarray(scale.sediment_covariate(mass, size) - typical)


def _anode_spent(
    points: _Points,
    heater: IntArray,
    age: FloatArray,
    span: FloatArray,
    setpoint: FloatArray,
    softened: np.ndarray,
    conductivity: FloatArray,
    site: Site,
) -> FloatArray:
    """Chance that the anode is spent at mid-piece, less the typical heater's at that age."""
    reference = anode.tank_current_ma(anode.REFERENCE_CAPACITY_GAL, np.nan, np.nan, False)
    current = (
        anode.tank_current_ma(anode.REFERENCE_CAPACITY_GAL, setpoint, conductivity, softened) / reference
    )
    rate = site.wear.per_year[heater] * current
    grown = np.cumsum(rate * _work(span, age))
    before = grown - rate * _work(span, age)
    renewal = (points.what == ANODE_NEW) | (points.what == ANODE_SEEN)
    base = points.last(renewal)
    at = np.maximum(base, 0)
    consumed = np.where((base >= 0) & (points.what[at] == ANODE_SEEN), 1 - points.value[at], 0.0)
    start = np.where(base >= 0, base, points.first)
    ratio, log_sd = _learned(points, heater, before, start, consumed, site.wear)
    worked = ratio * np.maximum(before + rate * _work(span / 2, age) - before[start], 0)
    own = anode.AnodeWear(
        worked / _EQUIVALENT_YEAR, log_sd, site.wear.wears[heater], site.wear.protects[heater]
    )
    typical_worked = site.typical_wear.per_year[heater] * _work(age + span / 2, np.zeros(len(age)))
    typical = anode.AnodeWear(
        typical_worked / _EQUIVALENT_YEAR,
        site.typical_wear.log_sd[heater],
        np.ones(len(age), dtype=bool),
        np.ones(len(age), dtype=bool),
    )
    gap = anode.spent_probability(own, 1.0, consumed) - anode.spent_probability(typical, 1.0)
    return np.asarray(np.where(site.tankless[heater], 0.0, gap))


def _work(span: FloatArray, age: FloatArray) -> FloatArray:
    """Years of wear at a new tank's current over ``span`` years from ``age``: bare steel grows with age."""
    return np.asarray(span * (1 + anode.BARE_GROWTH_PER_YEAR * (age + span / 2)))


def _learned(
    points: _Points,
    heater: IntArray,
    before: FloatArray,
    start: IntArray,
    consumed: FloatArray,
    wear: anode.AnodeWear,
) -> tuple[FloatArray, FloatArray]:
    """Factor on the wear rate and its log spread at each point, after the inspections up to there."""
    n_lives = int(points.life.max(initial=-1)) + 1
    ratio, log_sd = np.ones(n_lives), np.empty(n_lives)
    log_sd[points.life] = wear.log_sd[heater]
    ratio_at, sd_at = np.ones(len(points.life)), log_sd[points.life]
    seen = np.flatnonzero(points.what == ANODE_SEEN)
    rank = np.arange(len(seen)) - np.searchsorted(points.life[seen], points.life[seen])
    for turn in range(int(rank.max(initial=-1)) + 1):
        here = seen[rank == turn]
        life, earlier = points.life[here], np.maximum(here - 1, 0)
        worked = ratio[life] * np.maximum(before[here] - before[start[earlier]], 0)
        assumed = anode.AnodeWear(
            worked / _EQUIVALENT_YEAR, log_sd[life], wear.wears[heater[here]], wear.protects[heater[here]]
        )
        found = anode.inspected(assumed, 1.0, points.value[here], consumed[earlier])
        moved = assumed.per_year > 0
        ratio[life] *= np.where(moved, found.per_year / np.where(moved, assumed.per_year, 1.0), 1.0)
        log_sd[life] = np.where(moved, found.log_sd, log_sd[life])
        ratio_at[here], sd_at[here] = ratio[life], log_sd[life]
    last = points.last(points.what == ANODE_SEEN)
    place = np.maximum(last, 0)
    base_sd = wear.log_sd[heater]
    return np.where(last >= 0, ratio_at[place], 1.0), np.where(last >= 0, sd_at[place], base_sd)
