"""Fleets with known truth, written without the engine: lives step by step, month by month.

Everything here is invented.  A position holds one heater after another.  Buildings differ by a gamma
multiplier, water and care; an anode runs out after a random time and may be renewed; heaters are also
replaced as planned; the record begins late and 15 % of the older install dates are vague.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

import numpy as np
import numpy.typing as npt
import pandas as pd

from forecasting.episodes import Records

Array = npt.NDArray[np.float64]
AS_OF = date(2026, 1, 1)
TODAY = 2026.0
STEP = 1 / 12
WARM_UP_YEARS = 60.0
YEARS_BEFORE_RENEWAL, RENEWALS_PER_YEAR = 4.0, 2.0  # of rods, in buildings that are cared for
VAGUE_YEARS = 5.0  # bounds of a vague install date lie up to this far off on either side
KINDS = ("gas_storage_atmospheric", "electric_storage")


@dataclass(frozen=True)
class Truth:
    """The law that the simulated heaters obey."""

    shape: tuple[float, float] = (3.1, 2.8)
    scale: tuple[float, float] = (16.0, 18.0)
    anode_spent: float = 0.7
    hardness: float = 0.10  # per 100 mg/L above 120
    setpoint: float = 0.12  # per 10 F above 125
    dispersion: float = 0.15
    flush: float = 0.0  # flushing has no effect
    planned_per_year: float = 0.015
    past_policy_age: float = (
        np.inf
    )  # until the record began, and off the record, heaters this old were replaced
    young_share: float = (
        0.0  # of buildings, built 6 to 35 years ago, their heaters put in when they were built
    )
    anode_life_years: float = 7.0
    anode_life_spread: float = 0.35


@dataclass
class Places:
    """What stays with a position: one entry a position (n,)."""

    building: npt.NDArray[np.int64]
    property_id: npt.NDArray[np.int64]
    kind: npt.NDArray[np.int64]
    multiplier: Array
    hardness: Array
    setpoint: Array
    cared: npt.NDArray[np.bool_]
    built: Array  # year


@dataclass
class Heaters:
    """State of the heaters in place, (n,) or (n, paths)."""

    installed: Array
    anode_from: Array
    anode_life: Array


@dataclass
class Log:
    """What happened, kept as lists of rows."""

    ended: list[tuple[int, float, float, str]] = field(default_factory=list)  # place, installed, ended, how
    services: list[tuple[int, float, str]] = field(default_factory=list)  # place, when, what


@dataclass(frozen=True)
class Fleet:
    truth: Truth
    places: Places
    heaters: Heaters  # in place today
    records: Records


def make_places(count: int, truth: Truth, generator: np.random.Generator) -> Places:
    per_building = 12
    buildings = max(2, count // per_building)
    building = np.sort(np.arange(count) % buildings)
    z = generator.gamma(1 / truth.dispersion, truth.dispersion, buildings)
    hardness = generator.lognormal(np.log(150), 0.5, buildings).clip(20, 500)
    cared = generator.random(buildings) < 0.4
    kind = (generator.random(buildings) < 0.4).astype(np.int64)
    setpoint = generator.choice([115.0, 120.0, 125.0, 130.0, 140.0], count)
    built = np.full(buildings, TODAY - WARM_UP_YEARS)
    if truth.young_share:
        young = generator.random(buildings) < truth.young_share
        built[young] = TODAY - generator.uniform(6, 35, int(young.sum()))
    return Places(
        building=building,
        property_id=building // 3,
        kind=kind[building],
        multiplier=z[building],
        hardness=hardness[building],
        setpoint=setpoint,
        cared=cared[building],
        built=built[building],
    )


def log_rate(truth: Truth, places: Places) -> Array:
    """log of everything that multiplies the baseline except the anode."""
    return np.asarray(
        np.log(places.multiplier)
        + truth.hardness * (places.hardness - 120) / 100
        + truth.setpoint * (places.setpoint - 125) / 10
    )


def rod_life(truth: Truth, shape: tuple[int, ...], generator: np.random.Generator) -> Array:
    return truth.anode_life_years * np.exp(truth.anode_life_spread * generator.standard_normal(shape))


def fail_chance(
    truth: Truth, places: Places, heaters: Heaters, now: float, fixed: Array, step: float
) -> Array:
    """Chance of failing in the coming step, the anode's state taken at its middle; ``fixed`` is the log rate, (n,),
    (n, 1) or (n, paths)."""
    many = heaters.installed.ndim == 2
    kind = places.kind[:, None] if many else places.kind
    shape, scale = np.array(truth.shape)[kind], np.array(truth.scale)[kind]
    age = np.maximum(now - heaters.installed, 0)
    grow = ((age + step) / scale) ** shape - (age / scale) ** shape
    spent = now + step / 2 - heaters.anode_from > heaters.anode_life
    return np.asarray(-np.expm1(-grow * np.exp(fixed + truth.anode_spent * spent)))


def renewal_chance() -> float:
    """Of a rod that is ripe for it, in a step."""
    return STEP * RENEWALS_PER_YEAR


def care(
    truth: Truth,
    places: Places,
    heaters: Heaters,
    now: float,
    generator: np.random.Generator,
    log: Log | None,
) -> None:
    """Cared-for buildings renew rods about every four years and flush yearly; a rod renewed is on record."""
    cared = places.cared[:, None] if heaters.installed.ndim == 2 else places.cared
    ripe = now - heaters.anode_from > YEARS_BEFORE_RENEWAL
    due = cared & ripe & (generator.random(heaters.installed.shape) < renewal_chance())
    heaters.anode_life = np.where(due, rod_life(truth, due.shape, generator), heaters.anode_life)
    heaters.anode_from = np.where(due, now, heaters.anode_from)
    if log is None:
        return
    flushed = places.cared & (generator.random(len(places.cared)) < STEP)
    log.services += [(int(i), now, "anode_renewed") for i in np.flatnonzero(due)]
    log.services += [(int(i), now, "flush") for i in np.flatnonzero(flushed)]


def make_fleet(count: int, record_years: float, seed: int, truth: Truth | None = None) -> Fleet:
    """A fleet of about ``count`` recorded heaters, watched over the last ``record_years``."""
    law = truth or Truth()
    generator = np.random.default_rng([seed, count, int(record_years)])
    # Positions renew about every twelve years, so a longer record holds more heaters than positions.
    places = make_places(max(8, round(count / (1 + record_years / 13))), law, generator)
    n = len(places.kind)
    start = TODAY - WARM_UP_YEARS
    young = places.built > start
    installed = np.where(young, places.built, start - generator.uniform(0, 12, n))
    heaters = Heaters(installed, places.built.copy(), rod_life(law, (n,), generator))
    fixed, log = log_rate(law, places), Log()
    for step in range(round(WARM_UP_YEARS / STEP)):
        now = start + step * STEP
        care(law, places, heaters, now, generator, log)
        there = places.built <= now
        fails = there & (generator.random(n) < fail_chance(law, places, heaters, now, fixed, STEP))
        planned = there & ~fails & (generator.random(n) < law.planned_per_year * STEP)
        if now < TODAY - record_years:
            planned |= ~fails & (now - heaters.installed > law.past_policy_age)
        for index in np.flatnonzero(fails | planned):
            when = now + STEP * generator.random()
            how = "tank_leak" if fails[index] else "replaced_as_planned"
            log.ended.append((int(index), float(heaters.installed[index]), when, how))
            heaters.installed[index] = heaters.anode_from[index] = when
            heaters.anode_life[index] = rod_life(law, (1,), generator)[0]
    return Fleet(law, places, heaters, _records(places, heaters, log, TODAY - record_years, generator))


def future_failures(fleet: Fleet, years: int, paths: int, seed: int) -> npt.NDArray[np.int64]:
    """(paths, years, n) failures under the true law, nobody replacing as planned; one path is the world.

    Rods in place keep their own hidden lives on every path: this forecaster knows all there is to know.
    """
    wide = np.ones((1, paths))
    heaters = Heaters(
        *(getattr(fleet.heaters, f)[:, None] * wide for f in ("installed", "anode_from", "anode_life"))
    )
    fixed = log_rate(fleet.truth, fleet.places)[:, None]
    return live_on(fleet.truth, fleet.places, heaters, fixed, years, np.random.default_rng([seed, 99]))


def live_on(
    truth: Truth, places: Places, heaters: Heaters, fixed: Array, years: int, generator: np.random.Generator
) -> npt.NDArray[np.int64]:
    """(paths, years, n) failures to come of the heaters in place today, (n, paths), and of those that follow them."""
    n, paths = heaters.installed.shape
    counts = np.zeros((years, n, paths), dtype=np.int64)
    for step in range(round(years / STEP)):
        now = TODAY + step * STEP
        care(truth, places, heaters, now, generator, None)
        chance = fail_chance(truth, places, heaters, now, fixed, STEP)
        fails = generator.random(chance.shape) < chance
        counts[int((step + 0.5) * STEP)] += fails
        heaters.installed = np.where(fails, now + STEP / 2, heaters.installed)
        heaters.anode_from = np.where(fails, now + STEP / 2, heaters.anode_from)
        fresh = rod_life(truth, (int(fails.sum()),), generator)
        heaters.anode_life[fails] = fresh
    return counts.transpose(2, 0, 1)


def day(year: float) -> pd.Timestamp:
    """The day at a decimal year."""
    whole = int(np.floor(year))
    return pd.Timestamp(whole, 1, 1) + pd.Timedelta(days=int((year - whole) * 365.2425))


def _records(
    places: Places, heaters: Heaters, log: Log, begin: float, generator: np.random.Generator
) -> Records:
    lives = [life for life in log.ended if life[2] > begin]
    lives += [(i, float(installed), np.nan, "") for i, installed in enumerate(heaters.installed)]
    rows, number_of = [], {}
    for number, (place, installed, ended, how) in enumerate(lives, start=1):
        number_of[(place, installed)] = number
        low = high = installed
        if installed < begin and generator.random() < 0.15:
            low = installed - generator.uniform(0, VAGUE_YEARS)
            high = min(begin, installed + generator.uniform(0, VAGUE_YEARS))
        rows.append(
            {
                "heater_id": number,
                "kind": KINDS[places.kind[place]],
                "property_id": int(places.property_id[place]) + 1,
                "building_id": int(places.building[place]) + 1,
                "position_id": place + 1,
                "building_built": places.built[place],
                "installed_earliest": day(low),
                "installed_latest": day(high),
                "record_start": day(max(begin, installed)),
                "ended_earliest": pd.NaT if np.isnan(ended) else day(ended),
                "ended_latest": pd.NaT if np.isnan(ended) else day(ended),
                "ending": how,
                "setpoint_f": places.setpoint[place],
            }
        )
    frame = pd.DataFrame(rows)
    for column in ("made_earliest", "made_latest", "softened_since"):
        frame[column] = pd.Series(pd.NaT, index=frame.index, dtype="datetime64[ns]")
    frame = frame.assign(
        capacity_gal=50.0, input_btu_h=40_000.0, anode_kind="magnesium", anode_count=1.0, closed_system=False,
        has_expansion_tank=False, recirculation=False, static_pressure_psi=60.0, units_served=1.0,
    )  # fmt: skip
    return Records(frame, _services(lives, number_of, log, begin), _waters(places), AS_OF)


def _services(
    lives: list[tuple[int, float, float, str]],
    number_of: dict[tuple[int, float], int],
    log: Log,
    begin: float,
) -> pd.DataFrame:
    """Services since the record began, told of the heater that was in place."""
    by_place: dict[int, list[tuple[float, float, int]]] = {}
    for place, installed, ended, _ in lives:
        end = np.inf if np.isnan(ended) else ended
        by_place.setdefault(place, []).append((installed, end, number_of[(place, installed)]))
    rows = []
    for place, when, what in log.services:
        if when < begin:
            continue
        for installed, end, number in by_place.get(place, []):
            if installed < when < end:
                rows.append((number, what, day(when), day(when)))
    frame = pd.DataFrame(rows, columns=["heater_id", "kind", "done_earliest", "done_latest"])
    frame["heater_id"] = frame["heater_id"].astype(np.int64)
    for column in ("done_earliest", "done_latest"):
        frame[column] = pd.to_datetime(frame[column])
    return frame.assign(anode_left_fraction=np.nan, setpoint_f=np.nan)


def _waters(places: Places) -> pd.DataFrame:
    first = np.unique(places.building, return_index=True)[1]
    hardness = places.hardness[first]
    frame = pd.DataFrame(
        {
            "building_id": places.building[first] + 1,
            "treatment": "raw",
            "tested_on": pd.Timestamp(2015, 6, 1),
            "hardness_mg_l": hardness,
            "calcium_mg_l": hardness * 0.7,
            "alkalinity_mg_l": 0.8 * hardness,
            "ph": 7.7,
            "dissolved_solids_mg_l": 1.6 * hardness + 50,
            "conductivity_us_cm": 2.5 * hardness + 80,
        }
    )
    return frame.assign(chloride_mg_l=30.0, sulfate_mg_l=40.0, temperature_c=15.0)
