"""Sacrificial anode: consumption by Faraday's law, life left and its spread, what an inspection teaches.

Life = M * e * u / (8766 * I): M metal mass kg, e practical capacity Ah/kg, u usable share, I current A, 8766
hours a year (form of DNV-RP-B401; the US form W = Y * S * I / E is the same with S / E = 8760 / (2.2 * e)).
Never apply an efficiency twice: `practical_capacity_ah_kg` already holds it.

- Theoretical capacity z * F / (3.6 * M): magnesium 2205, aluminium 2980, zinc 820 Ah/kg.
- Practical: magnesium 50 % -> 1100 Ah/kg (Corrosion Engineering: Principles and Practice, p. 591); aluminium 1200
  Ah/kg: engineering judgement, no value for hot fresh water was found (sea water: 2000 to 2800).
- Spent: a rod does nothing more at about 85 % consumed (common practice).
- Current of one rod: 8 mA for a 40 gal glass-lined tank at 130 F and 500 uS/cm. Engineering judgement: 5 mA is
  enough for a new single-coat lining (Fischer 1960, read second-hand), and 8 mA wears a common rod out in about
  seven years, between the trade's look every 3 to 5 years and its outer limit.
- Multipliers, all engineering judgement: wetted area as (capacity / 40)^(2/3); conductivity as
  (uS/cm / 500)^0.4 within 100 to 3000; temperature 1.25 per 10 C; softened 1.8 (a 1980s four-city test: softened
  water used anodes much faster, no figure); 4 % more bare steel a year of tank age; aluminium 0.9 of magnesium's
  current. Spread of the rate: `RATE_LOG_SD` = 0.55, a factor of 2 either way at 80 %.

Valid for glass-lined tanks, 10 to 3000 uS/cm, 90 to 180 F (EN 12499 asks special care below 100 uS/cm). Powered
anodes do not wear and get no wear forecast; a tank with no anode is unprotected from the first day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

FloatArray = npt.NDArray[np.float64]

FARADAY_C_MOL = 96485.33212
MOLAR_MASS_G = {"magnesium": 24.305, "aluminium": 26.9815385, "zinc": 65.38}
VALENCE = {"magnesium": 2, "aluminium": 3, "zinc": 2}
PRACTICAL_CAPACITY_AH_KG = {"magnesium": 1100.0, "aluminium": 1200.0, "aluminium_zinc": 1200.0}
CURRENT_FACTOR = {"magnesium": 1.0, "aluminium": 0.9, "aluminium_zinc": 0.9}
DENSITY_FACTOR = {"magnesium": 1.0, "aluminium": 2.70 / 1.74, "aluminium_zinc": 2.72 / 1.74}
SACRIFICIAL = tuple(PRACTICAL_CAPACITY_AH_KG)
HOURS_PER_YEAR = 8766.0
SPENT_THRESHOLD = 0.85
CORE_WIRE_INCH = 0.135
REFERENCE_CURRENT_MA = 8.0
REFERENCE_CAPACITY_GAL = 40.0
REFERENCE_CONDUCTIVITY = 500.0
REFERENCE_SETPOINT_F = 130.0
REFERENCE_MASS_KG = 0.56  # 3/4 in by 40 in magnesium rod at 0.031 lb/in
LARGEST_SINGLE_ROD_GAL = 80.0
SOFTENED_FACTOR = 1.8
PER_TEN_CELSIUS = 1.25
BARE_GROWTH_PER_YEAR = 0.04
RATE_LOG_SD = 0.55
WIDE_LOG_SD = 0.7  # metal unknown, or aluminium, whose capacity in hot fresh water is a guess
INSPECTION_LOG_SD = 0.25  # reading a rod by eye or caliper: a quarter either way (judgement)


@dataclass(frozen=True)
class AnodeWear:
    """How fast the anodes of N heaters are consumed.

    `per_year` (N,): median share of the metal consumed a year on a new tank; `log_sd` (N,): spread of its logarithm;
    `wears` (N,): False where no wear forecast applies (powered or none); `protects` (N,): False where there is
    no anode at all.
    """

    per_year: FloatArray
    log_sd: FloatArray
    wears: npt.NDArray[np.bool_]
    protects: npt.NDArray[np.bool_]


def theoretical_capacity_ah_kg(metal: str) -> float:
    """Faraday capacity z * F / (3.6 * M) of magnesium, aluminium or zinc, Ah/kg."""
    if metal not in MOLAR_MASS_G:
        raise ValueError(f"metal {metal!r} is not known; use one of {', '.join(MOLAR_MASS_G)}")
    return VALENCE[metal] * FARADAY_C_MOL / (3.6 * MOLAR_MASS_G[metal])


def mass_for_life_lb(years: float, current_a: float, lb_per_ampere_year: float, efficiency: float) -> float:
    """US form W = Y * S * I / E, lb. Source: TM 5-811-7 equation C-1."""
    if efficiency <= 0:
        raise ValueError(f"efficiency must be above 0, not {efficiency}")
    return years * lb_per_ampere_year * current_a / efficiency


def life_years(
    mass_kg: npt.ArrayLike,
    current_a: npt.ArrayLike,
    capacity_ah_kg: npt.ArrayLike,
    usable_share: float = SPENT_THRESHOLD,
) -> FloatArray:
    """Life M * e * u / (8766 * I) at a steady current, years. Infinite where no current flows."""
    current = np.asarray(current_a, dtype=np.float64)
    charge = (
        np.asarray(mass_kg, dtype=np.float64) * np.asarray(capacity_ah_kg, dtype=np.float64) * usable_share
    )
    with np.errstate(divide="ignore"):
        return np.asarray(charge / (HOURS_PER_YEAR * current), dtype=np.float64)


def default_rod_mass_kg(kind: str, capacity_gal: npt.ArrayLike) -> FloatArray:
    """Metal of one rod where it was not recorded, kg: 0.56 * (capacity / 40)^(2/3), capacity held to 10 to 80 gal.

    In line with the 0.2 kg of magnesium a square metre of enamel that DIN 4753 asks at the least.
    """
    capacity = np.clip(_capacity(capacity_gal), 10.0, LARGEST_SINGLE_ROD_GAL)
    mass = REFERENCE_MASS_KG * (capacity / REFERENCE_CAPACITY_GAL) ** (2.0 / 3.0)
    return np.asarray(mass * DENSITY_FACTOR.get(kind, 1.0), dtype=np.float64)


def tank_current_ma(
    capacity_gal: npt.ArrayLike,
    setpoint_f: npt.ArrayLike,
    conductivity_us_cm: npt.ArrayLike,
    softened: npt.ArrayLike,
) -> FloatArray:
    """Protective current a new tank draws from magnesium, mA (median). Unknown (NaN) inputs count as the reference."""
    setpoint = np.clip(_known(setpoint_f, REFERENCE_SETPOINT_F), 90.0, 180.0)
    conductivity = np.clip(_known(conductivity_us_cm, REFERENCE_CONDUCTIVITY), 100.0, 3000.0)
    area = (_capacity(capacity_gal) / REFERENCE_CAPACITY_GAL) ** (2.0 / 3.0)
    warmth = PER_TEN_CELSIUS ** ((setpoint - REFERENCE_SETPOINT_F) / 18.0)
    soft = np.where(np.asarray(softened, dtype=bool), SOFTENED_FACTOR, 1.0)
    salts = (conductivity / REFERENCE_CONDUCTIVITY) ** 0.4
    return np.asarray(REFERENCE_CURRENT_MA * area * warmth * salts * soft, dtype=np.float64)


def anode_wear(
    anode_kinds: Sequence[str],
    capacity_gal: npt.ArrayLike,
    anode_count: npt.ArrayLike = 1.0,
    setpoint_f: npt.ArrayLike = np.nan,
    conductivity_us_cm: npt.ArrayLike = np.nan,
    softened: npt.ArrayLike = False,
    rod_mass_kg: npt.ArrayLike = np.nan,
) -> AnodeWear:
    """Wear of N heaters' anodes; all arrays (N,) or scalars.

    `anode_kinds`: magnesium, aluminium, aluminium_zinc, powered, none, or '' for unknown, which counts as magnesium
    with a wider spread. Raises ValueError for another word.
    """
    kinds = np.asarray(anode_kinds, dtype=object)
    allowed = (*SACRIFICIAL, "powered", "none", "")
    unknown = sorted({str(kind) for kind in kinds if kind not in allowed})
    if unknown:
        raise ValueError(
            f"anode kind {unknown[0]!r} is not known; use one of {', '.join(allowed[:-1])} or ''"
        )
    metal = [kind if kind in SACRIFICIAL else "magnesium" for kind in kinds]
    capacity = _capacity(capacity_gal)
    count = np.maximum(_known(anode_count, 1.0), 1.0)
    single = np.broadcast_to(default_rod_mass_kg("magnesium", capacity), kinds.shape)
    single = single * np.array([DENSITY_FACTOR[name] for name in metal])
    mass = count * _known(rod_mass_kg, single)
    charge_ah = mass * np.array([PRACTICAL_CAPACITY_AH_KG[name] for name in metal])
    current_a = tank_current_ma(capacity, setpoint_f, conductivity_us_cm, softened) / 1000.0
    current_a = current_a * np.array([CURRENT_FACTOR[name] for name in metal])
    wears = np.isin(kinds, ["powered", "none"], invert=True)
    return AnodeWear(
        per_year=np.where(wears, HOURS_PER_YEAR * current_a / charge_ah, 0.0),
        log_sd=np.where(kinds == "magnesium", RATE_LOG_SD, WIDE_LOG_SD),
        wears=wears,
        protects=np.asarray(kinds != "none", dtype=bool),
    )


def consumed_share(
    wear: AnodeWear,
    years: npt.ArrayLike,
    consumed_at_start: npt.ArrayLike = 0.0,
    tank_age_at_start: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Median share of the metal gone after `years` in service since it was `consumed_at_start`, 0 to 1.

    Bare steel grows by 4 % a year of tank age, and the current with it. Broadcasts against (N,).
    """
    gone = np.asarray(consumed_at_start, dtype=np.float64) + wear.per_year * _worked(years, tank_age_at_start)
    return np.asarray(np.clip(gone, 0.0, 1.0), dtype=np.float64)


def spent_probability(
    wear: AnodeWear,
    years: npt.ArrayLike,
    consumed_at_start: npt.ArrayLike = 0.0,
    tank_age_at_start: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Chance that the anode is spent (85 % consumed): the model's covariate `anode_spent`, 0 to 1.

    `years` since renewal (consumed_at_start 0) or since an inspection that left that share consumed. 1 for a
    tank with no anode, 0 for a powered one (which protects while its power is on).
    """
    room = SPENT_THRESHOLD - np.asarray(consumed_at_start, dtype=np.float64)
    worked = wear.per_year * _worked(years, tank_age_at_start)
    with np.errstate(divide="ignore", invalid="ignore"):
        score = np.log(worked / np.maximum(room, 0.0)) / wear.log_sd
    chance = np.where(room <= 0.0, 1.0, np.where(worked <= 0.0, 0.0, ndtr(score)))
    chance = np.where(wear.wears, chance, 0.0)
    return np.asarray(np.where(wear.protects, chance, 1.0), dtype=np.float64)


def remaining_life_years(
    wear: AnodeWear,
    consumed_now: npt.ArrayLike,
    tank_age: npt.ArrayLike = 0.0,
    quantiles: tuple[float, ...] = (0.1, 0.5, 0.9),
) -> FloatArray:
    """Years until the anode is spent, at these quantiles: shape (len(quantiles), N).

    NaN where it does not wear (powered), 0 where there is none or it is spent already. `consumed_now` is the median
    or the inspected share.
    """
    from scipy.stats import norm

    room = np.maximum(SPENT_THRESHOLD - np.asarray(consumed_now, dtype=np.float64), 0.0)
    age = np.asarray(tank_age, dtype=np.float64)
    lives = []
    for quantile in quantiles:
        rate = wear.per_year * np.exp(-wear.log_sd * norm.ppf(quantile))
        with np.errstate(divide="ignore", invalid="ignore"):
            worked = np.where(room > 0.0, room / rate, 0.0)
            base = 1.0 + BARE_GROWTH_PER_YEAR * age
            years = (np.sqrt(base**2 + 2.0 * BARE_GROWTH_PER_YEAR * worked) - base) / BARE_GROWTH_PER_YEAR
        years = np.where(wear.wears, years, np.nan)
        lives.append(np.where(wear.protects, years, 0.0))
    return np.asarray(np.stack(np.broadcast_arrays(*lives)), dtype=np.float64)


def inspected(
    wear: AnodeWear,
    years: npt.ArrayLike,
    left_fraction: npt.ArrayLike,
    consumed_at_start: npt.ArrayLike = 0.0,
    tank_age_at_start: npt.ArrayLike = 0.0,
) -> AnodeWear:
    """Wear after an inspection found `left_fraction` of the metal, `years` after renewal or the last look.

    The log rate is normal with the physics as its prior; the reading is one observation of it, with error 0.25
    plus one part in fifty of the rod (small wear is hard to see). NaN fractions, anodes that do not wear and
    readings on the same day teach nothing. From the inspection on, count from 1 - left_fraction consumed.
    Raises ValueError for a fraction outside 0 to 1.
    """
    left = np.asarray(left_fraction, dtype=np.float64)
    if np.any((left < 0.0) | (left > 1.0)):
        raise ValueError(
            f"left_fraction must lie between 0 and 1, not {left[(left < 0) | (left > 1)].flat[0]}"
        )
    worn = np.maximum(1.0 - left - np.asarray(consumed_at_start, dtype=np.float64), 0.01)
    worked = _worked(years, tank_age_at_start)
    usable = wear.wears & ~np.isnan(left) & (worked > 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        seen = np.log(worn / np.where(worked > 0.0, worked, 1.0))
        expected = np.log(wear.per_year)
    variance = INSPECTION_LOG_SD**2 + (0.02 / worn) ** 2
    precision_prior, precision_seen = 1.0 / wear.log_sd**2, 1.0 / variance
    total = precision_prior + precision_seen
    with np.errstate(invalid="ignore"):
        updated = np.exp((expected * precision_prior + seen * precision_seen) / total)
    return AnodeWear(
        per_year=np.asarray(np.where(usable, updated, wear.per_year), dtype=np.float64),
        log_sd=np.asarray(np.where(usable, 1.0 / np.sqrt(total), wear.log_sd), dtype=np.float64),
        wears=wear.wears,
        protects=wear.protects,
    )


def left_fraction_of_diameter(
    diameter: npt.ArrayLike, new_diameter: npt.ArrayLike, core_diameter: npt.ArrayLike = CORE_WIRE_INCH
) -> FloatArray:
    """Share of metal left from the thinnest diameter: (d^2 - dc^2) / (d0^2 - dc^2), 0 to 1, lengths in one unit.

    Half the diameter leaves a quarter of the metal. Core wire 0.135 in where not given. Raises ValueError when
    the new diameter is not larger than the core, or a rod is thicker than new.
    """
    now, new, core = (np.asarray(v, dtype=np.float64) for v in (diameter, new_diameter, core_diameter))
    if np.any(new <= core):
        raise ValueError("new_diameter must be larger than the core wire's")
    if np.any(now > new * 1.05):
        raise ValueError("diameter is larger than that of a new rod: measure the bare rod, not its coating")
    return np.asarray(np.clip((now**2 - core**2) / (new**2 - core**2), 0.0, 1.0), dtype=np.float64)


def _worked(years: npt.ArrayLike, tank_age_at_start: npt.ArrayLike) -> FloatArray:
    """Years of wear at the new tank's current: integral of 1 + 0.04 * tank age."""
    span = np.maximum(np.asarray(years, dtype=np.float64), 0.0)
    age = np.maximum(np.asarray(tank_age_at_start, dtype=np.float64), 0.0)
    return np.asarray(span * (1.0 + BARE_GROWTH_PER_YEAR * (age + span / 2.0)), dtype=np.float64)


def _known(values: npt.ArrayLike, otherwise: npt.ArrayLike) -> FloatArray:
    given = np.asarray(values, dtype=np.float64)
    return np.asarray(np.where(np.isnan(given), otherwise, given), dtype=np.float64)


def _capacity(capacity_gal: npt.ArrayLike) -> FloatArray:
    known = _known(capacity_gal, REFERENCE_CAPACITY_GAL)
    return np.asarray(np.where(known > 0.0, known, REFERENCE_CAPACITY_GAL), dtype=np.float64)
