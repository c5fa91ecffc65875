"""Heaters living, cared for, failing and being replaced, month by month, for many positions at once.

The same kind of world as the demo estate's: Weibull lives with medians near the published tables, sooner ends for a
spent anode, old sediment, hot water or no room for expansion, and a luck of its own for every building. Written apart
from the forecasting code. The numbers are scenario choices, not published results.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from fleet.operating.invented_region import ANODES, KINDS

Days = NDArray[np.int64]
Numbers = NDArray[np.float64]
Flags = NDArray[np.bool_]
YEAR = 365.25
MONTH = 30
NEVER = np.int64(2**40)
#            median life (years), Weibull shape; in the order of KINDS
LIVES = np.array([(12.6, 2.9), (12.0, 2.8), (11.5, 2.6), (13.4, 3.0), (12.8, 2.6), (18.5, 2.8), (16.0, 2.4),
                  (16.5, 2.8), (10.2, 2.5), (11.6, 2.6), (19.0, 2.8)])  # fmt: skip
ANODE_YEARS = np.array([5.0, 6.0, 5.5, 99.0, 99.0])
TANKLESS = np.isin(KINDS, ["gas_tankless", "electric_tankless"])
COMMERCIAL = np.isin(KINDS, ["commercial_gas_storage", "commercial_electric_storage", "boiler_with_tank"])
ELECTRIC = np.array(["electric" in kind for kind in KINDS])
ELECTRIC_STORAGE, HEAT_PUMP = KINDS.index("electric_storage"), KINDS.index("heat_pump")
GAS_STORAGE, GAS_TANKLESS = KINDS.index("gas_storage_atmospheric"), KINDS.index("gas_tankless")
ENDINGS = ("", "tank_leak", "failed_beyond_repair", "replaced_as_planned", "converted")
LEAK, BROKEN, PLANNED, CONVERTED = 1, 2, 3, 4
WORK = ("flush", "descaled", "anode_inspected", "anode_renewed", "relief_valve_tested", "relief_valve_renewed",
        "element_renewed", "repaired", "inspected")  # fmt: skip
(FLUSH, DESCALED, INSPECTED_ANODE, NEW_ANODE, TESTED_VALVE, NEW_VALVE, NEW_ELEMENT, REPAIRED, INSPECTED) = (
    range(9)
)
# Days since 1970 from which a failed unit may be followed by one of another kind.
HEAT_PUMPS_FROM, TANKLESS_FROM = 18_628, 16_801  # 2021-01-01, 2016-01-01


@dataclass
class Places:
    """What holds of each position of a block, whatever unit stands there."""

    kind: Days
    first_installed: Days
    effect: Numbers  # the building's luck
    hardness: Numbers  # mg/L
    softened: Days
    setpoint_f: Numbers
    closed: Flags  # closed system: a check valve or regulator holds the pressure in
    expansion_tank: Flags
    care: Numbers  # visits a year
    planned_at: Numbers  # years; infinite where nothing is planned
    listed: Days  # the record begins


@dataclass
class Lives:
    """One entry a unit that the office's record knows."""

    number: Days
    place: Days
    kind: Days
    installed: Days
    ended: Days  # NEVER: still in service
    ending: Days
    anode: Days


@dataclass
class Services:
    life: Days
    work: Days
    day: Days
    anode_left: Numbers


Part = TypeVar("Part", Lives, Services)


@dataclass
class _Now:
    """The unit that stands in each position this month."""

    life: Days
    kind: Days
    installed: Days
    anode: Days
    anode_fitted: Days
    anode_years: Numbers
    last_clean: Days
    shape: Numbers
    scale: Numbers


@dataclass
class _Kept:
    lives: list[Lives] = field(default_factory=list)
    services: list[Services] = field(default_factory=list)
    count: int = 0


def live(places: Places, last_day: int, rng: np.random.Generator) -> tuple[Lives, Services]:
    """All units of a block from its first installs to `last_day`, and what was done to them since it was listed."""
    now, kept = _first_units(places, rng), _Kept()
    kept.count = len(places.kind)
    for today in range(int(places.first_installed.min()), last_day, MONTH):
        active = np.flatnonzero(now.installed <= today)
        if len(active) == 0:
            continue
        day = today + rng.integers(0, MONTH, len(active))
        ending = _endings(places, now, active, today, rng)
        ending[day >= last_day] = 0
        _care(places, now, active[ending == 0], day[ending == 0], last_day, kept, rng)
        gone = ending > 0
        if gone.any():
            _replace(places, now, active[gone], day[gone], ending[gone], last_day, kept, rng)
    standing = np.flatnonzero(now.installed < last_day)
    kept.lives.append(_lives_of(now, standing, np.full(len(standing), NEVER), np.zeros(len(standing), int)))
    return _listed(places, kept)


def _first_units(places: Places, rng: np.random.Generator) -> _Now:
    count = len(places.kind)
    empty = np.zeros(count, dtype=np.int64)
    now = _Now(np.arange(count), places.kind.copy(), places.first_installed.copy(), empty.copy(), empty.copy(),
               np.zeros(count), empty.copy(), np.zeros(count), np.zeros(count))  # fmt: skip
    _put_in(places, now, np.arange(count), rng)
    return now


def _put_in(places: Places, now: _Now, at: Days, rng: np.random.Generator) -> None:
    """A new unit of the kind and day already set stands in each of these positions."""
    kind = now.kind[at]
    anode = rng.choice(4, size=len(at), p=[0.5, 0.25, 0.25, 0.0])
    anode[COMMERCIAL[kind] & (rng.random(len(at)) < 0.15)] = ANODES.index("powered")
    anode[TANKLESS[kind]] = ANODES.index("none")
    median, shape = LIVES[kind].T
    now.anode[at], now.shape[at], now.scale[at] = anode, shape, median / np.log(2) ** (1 / shape)
    now.last_clean[at] = now.installed[at]
    _fit_anode(places, now, at, now.installed[at], rng)


def _fit_anode(places: Places, now: _Now, at: Days, day: Days, rng: np.random.Generator) -> None:
    hot = 1 - 0.012 * (places.setpoint_f[at] - 120)
    soft = np.where(places.softened[at] <= day, 0.6, 1.0)
    years = ANODE_YEARS[now.anode[at]] * hot * soft * rng.lognormal(0, 0.25, len(at))
    now.anode_fitted[at], now.anode_years[at] = day, np.maximum(years, 1.0)


def _endings(places: Places, now: _Now, at: Days, today: int, rng: np.random.Generator) -> Days:
    """Which of these units end this month, and how: 0 for those that go on."""
    age = (today - now.installed[at]) / YEAR
    hardness = np.where(places.softened[at] <= today, 25.0, places.hardness[at])
    spent = (today - now.anode_fitted[at]) / YEAR >= now.anode_years[at]
    dirty = np.minimum((today - now.last_clean[at]) / YEAR, 8)
    log_risk = 0.85 * (spent - 0.5) + 0.055 * (dirty * hardness / 150 - 4)
    log_risk += 0.11 * (places.setpoint_f[at] - 125) / 10 + 0.28 * (
        (places.closed & ~places.expansion_tank)[at] - 0.2
    )
    shape, scale = now.shape[at], now.scale[at]
    rate = places.effect[at] * shape / scale * ((age + 0.04) / scale) ** (shape - 1) * np.exp(log_risk)
    failed = rng.random(len(at)) < -np.expm1(-rate * MONTH / YEAR)
    planned = rng.random(len(at)) < np.where(age >= 4, 0.0004 + 0.003 * (age > 14), 0.0)
    planned |= (age >= places.planned_at[at]) & (rng.random(len(at)) < 0.08)
    leaks = rng.random(len(at)) < np.where(TANKLESS[now.kind[at]], 0.15, 0.72)
    return np.where(failed, np.where(leaks, LEAK, BROKEN), np.where(planned, PLANNED, 0)).astype(np.int64)


def _replace(
    places: Places, now: _Now, at: Days, day: Days, ending: Days, last_day: int, kept: _Kept,
    rng: np.random.Generator,
) -> None:  # fmt: skip
    """Write the ended units down and put their successors in, now or in a few days."""
    kind = now.kind[at].copy()
    draw = rng.random(len(at))
    kind[(kind == ELECTRIC_STORAGE) & (day >= HEAT_PUMPS_FROM) & (draw < 0.12)] = HEAT_PUMP
    kind[(kind == GAS_STORAGE) & (day >= TANKLESS_FROM) & (draw < 0.05)] = GAS_TANKLESS
    ending = np.where((kind != now.kind[at]) & (ending == PLANNED), CONVERTED, ending)
    wait = np.where(ending >= PLANNED, 0, rng.choice([0, 0, 1, 1, 2, 3, 5], size=len(at)))
    kept.lives.append(_lives_of(now, at, day, ending))
    now.life[at] = kept.count + np.arange(len(at))
    kept.count += len(at)
    now.kind[at], now.installed[at] = kind, day + wait
    _put_in(places, now, at, rng)


def _lives_of(now: _Now, at: Days, ended: Days, ending: Days) -> Lives:
    return Lives(now.life[at], at, now.kind[at], now.installed[at], ended, ending, now.anode[at])


def _care(
    places: Places, now: _Now, at: Days, day: Days, last_day: int, kept: _Kept, rng: np.random.Generator
) -> None:
    """What the crew did this month: once a year at best, and only where the property keeps after it."""
    visited = (rng.random(len(at)) < places.care[at] / 12) & (day < last_day) & (day > now.installed[at])
    at, day = at[visited], day[visited]
    count = len(at)
    if count == 0:
        return
    tankless = TANKLESS[now.kind[at]]
    worn = (day - now.anode_fitted[at]) / YEAR / now.anode_years[at]
    left = np.clip(1 - worn + rng.normal(0, 0.08, count), 0, 1)
    has_anode = ~tankless & (now.anode[at] != ANODES.index("powered"))
    looked = has_anode & (rng.random(count) < 0.45)
    renewed = looked & (left < 0.3) & (rng.random(count) < 0.75)
    tested = ~tankless & (rng.random(count) < 0.5)
    done = {
        FLUSH: ~tankless,
        DESCALED: tankless,
        INSPECTED_ANODE: looked,
        NEW_ANODE: renewed,
        TESTED_VALVE: tested,
        NEW_VALVE: tested & (rng.random(count) < 0.06),
        NEW_ELEMENT: ELECTRIC[now.kind[at]] & (rng.random(count) < 0.06),
        REPAIRED: rng.random(count) < 0.05,
        INSPECTED: rng.random(count) < 0.25,
    }
    recorded = day >= places.listed[at]
    for work, which in done.items():
        chosen = np.flatnonzero(which & recorded)
        fraction = np.round(left[chosen], 1) if work == INSPECTED_ANODE else np.full(len(chosen), np.nan)
        kept.services.append(
            Services(now.life[at[chosen]], np.full(len(chosen), work), day[chosen], fraction)
        )
    now.last_clean[at] = day
    if renewed.any():
        _fit_anode(places, now, at[renewed], day[renewed], rng)


def _listed(places: Places, kept: _Kept) -> tuple[Lives, Services]:
    """Only units that were there when the record began, in the order of place and day, numbered anew."""
    lives, services = _joined(Lives, kept.lives), _joined(Services, kept.services)
    order = np.lexsort([lives.installed, lives.place])
    order = order[lives.ended[order] >= places.listed[lives.place[order]]]
    new_number = np.full(kept.count, -1)
    new_number[lives.number[order]] = np.arange(len(order))
    services.life = new_number[services.life]
    first = np.lexsort([services.work, services.day, services.life])
    lives = picked(lives, order)
    lives.number = np.arange(len(order))
    return lives, picked(services, first[services.life[first] >= 0])


def _joined(sort: type[Part], parts: list[Part]) -> Part:
    return sort(*(np.concatenate([getattr(part, one.name) for part in parts]) for one in fields(sort)))


def picked(whole: Part, at: Days) -> Part:
    return type(whole)(*(getattr(whole, one.name)[at] for one in fields(whole)))
