"""What state a heater is in at each age: the covariates of the lifetime model along a life.

Every covariate is a state at that age, never a summary of the life.  All are centred on a typical heater of
the same kind and age that nobody cares for: water of 120 mg/L, unsoftened, 125 F, 60 psi, typical draw, the first
anode never renewed, never flushed.  So an input nobody knows gives 0, and the kind's baseline is the life of that
typical heater, which is what published lifetimes describe (engineering judgement).

A life is cut at its start, at every dated service that changes a state, when softening began, and at every
birthday after observation starts; states are taken at the middle of each piece.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
import pandas as pd

from forecasting import anode, scale

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

COVARIATES: tuple[str, ...] = (
    "anode_spent",  # chance that the anode is spent, less that of the typical heater of this age
    "sediment",  # log(1 + kg of scale since the last flush per 10 gal), less the typical heater's
    "hardness",  # of the water in the tank, per 100 mg/L as CaCO3 above 120
    "softened",  # 1 when the water in the tank is softened
    "setpoint",  # per 10 F above 125 F
    "pressure",  # per 10 psi above 60 psi
    "no_expansion_control",  # 1 on a closed system with no expansion tank
    "draw_per_gallon",  # log of homes served per gallon of tank against the typical ratio of the kind
)
TYPICAL_HARDNESS_MG_L = 120.0
SOFTENED_HARDNESS_MG_L = (
    10.0  # assumed where the softened water was never tested (common practice, no source)
)
TYPICAL_SETPOINT_F = 125.0
TYPICAL_PRESSURE_PSI = 60.0
GALLONS_PER_HOME = 45.0  # a heater of its own: engineering judgement
GALLONS_PER_HOME_CENTRAL = 12.0  # a heater for many homes: engineering judgement
LARGEST_LOG_DRAW = 1.5
DAYS_PER_YEAR = 365.25
START, FLUSH, ANODE_NEW, ANODE_SEEN, SETPOINT, SOFTENED = range(6)
MARK_OF_SERVICE = {
    "flush": FLUSH,
    "descaled": FLUSH,
    "anode_renewed": ANODE_NEW,
    "anode_inspected": ANODE_SEEN,
    "setpoint_changed": SETPOINT,
}
_EQUIVALENT_YEAR = 1.0 + anode.BARE_GROWTH_PER_YEAR / 2  # work of one year on a new tank


def calendar_years(values: object) -> FloatArray:
    """Days as decimal years since 1970; NaT becomes NaN."""
    days = values if isinstance(values, pd.Series) else pd.Series(values)
    # What holds days already is not read anew: that takes a hundred times longer.
    days = days if days.dtype.kind == "M" else pd.to_datetime(days)
    stamps = days.to_numpy(dtype="datetime64[s]")
    seconds = stamps.astype(np.int64).astype(np.float64)
    return np.asarray(np.where(np.isnat(stamps), np.nan, seconds / (86_400 * DAYS_PER_YEAR)))


def calendar_year_of(day: date) -> float:
    """One day as decimal years since 1970."""
    return (day - date(1970, 1, 1)).days / DAYS_PER_YEAR


@dataclass(frozen=True)
class Lives:
    """Possible lives (L,), those of one heater together: row in the heater frame, and calendar years."""

    heater: IntArray
    install: FloatArray
    start: FloatArray  # observation begins
    end: FloatArray
    frozen_from: FloatArray  # states stand still from here (an ending seen only later); inf = never


@dataclass(frozen=True)
class Marks:
    """Dated changes of state (M,): row in the heater frame, calendar year, what, and a value."""

    heater: IntArray
    time: FloatArray
    what: IntArray
    value: FloatArray

    def with_more(self, other: Marks) -> Marks:
        pairs = [(getattr(self, f), getattr(other, f)) for f in ("heater", "time", "what", "value")]
        return Marks(*(np.concatenate(pair) for pair in pairs))


@dataclass(frozen=True)
class Pieces:
    """Pieces of lives (n,): life, calendar years from and to, covariates (n, P)."""

    life: IntArray
    begin: FloatArray
    finish: FloatArray
    x: FloatArray


@dataclass(frozen=True)
class WaterHistory:
    """Sorted tests of one quantity by building, for look-up at any time."""

    key: FloatArray  # building number * 1e4 + calendar year
    building: IntArray
    value: FloatArray

    def at(self, building: IntArray, time: FloatArray) -> FloatArray:
        """The last value at or before each time, else the first after it, else NaN."""
        if not len(self.key):
            return np.full(len(time), np.nan)
        after = np.searchsorted(self.key, building * 1e4 + np.clip(time, -1e3, 5e3), side="right")
        before = np.maximum(after - 1, 0)
        after = np.minimum(after, len(self.key) - 1)
        later = np.where(self.building[after] == building, self.value[after], np.nan)
        return np.asarray(np.where(self.building[before] == building, self.value[before], later))


@dataclass(frozen=True)
class Site:
    """Per heater (N,): everything about it that stands still, and the histories of its water."""

    kind: npt.NDArray[np.object_]
    building: IntArray
    capacity_gal: FloatArray
    size_gal: FloatArray  # capacity, or the equivalent where there is no tank
    homes: FloatArray  # served; typical where unknown
    typical_homes: FloatArray
    setpoint_f: FloatArray
    softened_since: FloatArray  # calendar year; inf = never
    wear: anode.AnodeWear
    typical_wear: anode.AnodeWear
    tankless: BoolArray
    static_x: FloatArray  # (N, 3): pressure, no_expansion_control, draw_per_gallon
    raw_hardness: WaterHistory
    soft_hardness: WaterHistory
    conductivity: WaterHistory
    known: dict[str, BoolArray]


def numbers(frame: pd.DataFrame, column: str) -> FloatArray:
    """A column as floats, NaN where missing, not a number, infinite or absent."""
    if column not in frame:
        return np.full(len(frame), np.nan)
    values = pd.to_numeric(frame[column], errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    return np.asarray(np.where(np.isfinite(values), values, np.nan))


def _truth(frame: pd.DataFrame, column: str) -> tuple[BoolArray, BoolArray]:
    """(is true, is known) of a column of True, False and None."""
    if column not in frame:
        return np.zeros(len(frame), dtype=bool), np.zeros(len(frame), dtype=bool)
    known = frame[column].notna().to_numpy(dtype=bool)
    true = np.array([bool(v) if k else False for v, k in zip(frame[column], known, strict=True)], dtype=bool)
    return true, known


def _history(waters: pd.DataFrame, column: str, treatment: str | None, as_of: float) -> WaterHistory:
    value, time = numbers(waters, column), calendar_years(waters["tested_on"])
    keep = ~np.isnan(value) & (value >= 0) & (time <= as_of + 1e-9)
    if treatment is not None:
        keep &= waters["treatment"].to_numpy() == treatment
    building = waters["building_id"].to_numpy(dtype=np.int64)[keep]
    key = building * 1e4 + time[keep]
    order = np.argsort(key, kind="stable")
    return WaterHistory(key[order], building[order], value[keep][order])


def _static(
    heaters: pd.DataFrame, draw_ratio: FloatArray, draw_known: BoolArray
) -> tuple[FloatArray, dict[str, BoolArray]]:
    """The covariates that stand still, (N, 3), and which of them were on record."""
    pressure = numbers(heaters, "static_pressure_psi")
    closed, closed_known = _truth(heaters, "closed_system")
    tank, tank_known = _truth(heaters, "has_expansion_tank")
    columns = [
        np.clip(np.nan_to_num((pressure - TYPICAL_PRESSURE_PSI) / 10), -6, 14),
        (closed & tank_known & ~tank).astype(float),
        np.clip(np.log(draw_ratio), -LARGEST_LOG_DRAW, LARGEST_LOG_DRAW),
    ]
    known: dict[str, BoolArray] = {
        "pressure": ~np.isnan(pressure),
        "no_expansion_control": closed_known & (tank_known | ~closed),
        "draw_per_gallon": draw_known,
    }
    return np.column_stack(columns), known


def read_site(heaters: pd.DataFrame, waters: pd.DataFrame, as_of: float) -> Site:
    """Still facts and water histories from the frames of the records."""
    kind = heaters["kind"].to_numpy(dtype=object)
    capacity = numbers(heaters, "capacity_gal")
    tankless = np.array(["tankless" in str(name) for name in kind], dtype=bool)
    real = ~np.isnan(capacity) & (capacity >= scale.SMALLEST_TANK_GAL) & ~tankless
    size = np.where(real, capacity, scale.TANKLESS_EQUIVALENT_GAL)
    central = np.array([str(n).startswith("commercial") or n == "boiler_with_tank" for n in kind], dtype=bool)
    typical_homes = size / np.where(central, GALLONS_PER_HOME_CENTRAL, GALLONS_PER_HOME)
    served = numbers(heaters, "units_served")
    served = np.where(served > 0, served, np.nan)
    draw_known = ~np.isnan(served) & real
    homes = np.where(draw_known, served, typical_homes)
    static, known_static = _static(heaters, homes / typical_homes, draw_known)
    metal = heaters["anode_kind"].fillna("").to_numpy(dtype=object)
    metal = np.where(np.isin(metal.astype(str), (*anode.SACRIFICIAL, "powered", "none")), metal, "")
    raw = _history(waters, "hardness_mg_l", "raw", as_of)
    building = heaters["building_id"].to_numpy(dtype=np.int64)
    softened = calendar_years(heaters["softened_since"])
    setpoint = numbers(heaters, "setpoint_f")
    count = np.nan_to_num(numbers(heaters, "anode_count"), nan=1.0)
    tested = np.isin(building, raw.building)
    known = {
        "anode_spent": (metal != "") | tankless,
        "sediment": tested,
        "hardness": tested,
        "softened": ~np.isnan(softened) | np.isin(building, waters["building_id"].to_numpy(dtype=np.int64)),
        "setpoint": ~np.isnan(setpoint),
        **known_static,
    }
    return Site(
        kind=kind,
        building=building,
        capacity_gal=capacity,
        size_gal=size,
        homes=homes,
        typical_homes=typical_homes,
        setpoint_f=setpoint,
        softened_since=np.where(np.isnan(softened), np.inf, softened),
        wear=anode.anode_wear(list(metal), size, count),
        typical_wear=anode.anode_wear([""] * len(metal), size),
        tankless=tankless,
        static_x=static,
        raw_hardness=raw,
        soft_hardness=_history(waters, "hardness_mg_l", "softened", as_of),
        conductivity=_history(waters, "conductivity_us_cm", None, as_of),
        known=known,
    )


def read_marks(heaters: pd.DataFrame, services: pd.DataFrame, as_of: float) -> Marks:
    """Services that change a state, dated by the middle of their bounds, known by the day of the forecast."""
    what = services["kind"].map(MARK_OF_SERVICE).to_numpy(dtype=np.float64, na_value=np.nan)
    early, late = calendar_years(services["done_earliest"]), calendar_years(services["done_latest"])
    time = np.where(np.isnan(early), late, np.where(np.isnan(late), early, (early + late) / 2))
    row = pd.Index(heaters["heater_id"]).get_indexer(pd.Index(services["heater_id"]))
    dial = numbers(services, "setpoint_f")
    # A set point read on any other occasion holds from that day too.
    what = np.where(np.isnan(what) & ~np.isnan(dial), SETPOINT, what)
    value = np.where(what == SETPOINT, dial, np.nan)
    value = np.where(what == ANODE_SEEN, np.clip(numbers(services, "anode_left_fraction"), 0, 1), value)
    keep = ~np.isnan(what) & ~np.isnan(time) & (row >= 0) & (time <= as_of + 1e-9)
    keep &= ~(np.isin(what, (SETPOINT, ANODE_SEEN)) & np.isnan(value))
    softened = calendar_years(heaters["softened_since"])
    soft = np.flatnonzero(~np.isnan(softened))
    return Marks(row[keep].astype(np.int64), time[keep], what[keep].astype(np.int64), value[keep]).with_more(
        Marks(soft, softened[soft], np.full(len(soft), SOFTENED), np.full(len(soft), np.nan))
    )
