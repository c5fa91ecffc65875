"""Sediment and scale growth in a water heater between flushes.

Scale comes from hardness carried in by the water drawn; a small part of it stays. The rate used here is

    kg/year = retained * hardness * draw * kind * temperature

with hardness in kg/L as CaCO3, draw in L/year and

- `retained` = 0.030 at 130 F, for an electric tank. Basis: the 2009 test for the Water Quality Research
  Foundation gave 907 g/year for electric storage and 528 g/year for gas storage at 26 grains per gallon (read
  second-hand). At 50 gal/day, 30.8 kg of hardness a year passes, so 2.9 % stays; trade figures after the same
  report, 0.4 lb a year per 5 grains per gallon, give 3.1 %. The daily draw is our reading, not printed there.
- `kind`: gas 0.58 (528 / 907), others 1.
- `temperature`: doubling per 20 F, between a quarter and eightfold. Engineering judgement; the published chart
  (plumbing engineers, after older university work) is flat to 140 F and steep from 150 F, values not read.

Range: the 1980s four-city test put 60 lb in 20 years (1.36 kg/year) on tanks where the later test gives a half or
less, so the rate is known within a factor of about 2.5 either way (80 % range, `SCALE_LOG_SD`).
Valid for 0 to 600 mg/L hardness and set points from 90 to 180 F; outside, hardness and set point are held at
those bounds. NaN in gives NaN out.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

LITRES_PER_GALLON = 3.785411784
DAYS_PER_YEAR = 365.25
RETAINED_FRACTION = 0.030
GAS_FACTOR = 528.0 / 907.0
REFERENCE_SETPOINT_F = 130.0
DOUBLING_F = 20.0
HARDNESS_RANGE_MG_L = (0.0, 600.0)
SETPOINT_RANGE_F = (90.0, 180.0)
SCALE_LOG_SD = float(np.log(2.5) / 1.2815515655446004)
DRAW_PER_HOME_GAL_DAY = 45.0
FLUSH_REMOVES_FRACTION = 0.6  # engineering judgement: loose sediment leaves, baked scale stays
SMALLEST_TANK_GAL = 5.0
TANKLESS_EQUIVALENT_GAL = 40.0
GAS_WORDS = ("gas", "boiler")


def kind_factor(kinds: Sequence[str]) -> FloatArray:
    """(N,) share of scale that stays by kind: gas-fired 528/907 of an electric tank, all others 1."""
    burns = {kind: any(word in kind for word in GAS_WORDS) for kind in set(kinds)}
    return np.where([burns[kind] for kind in kinds], GAS_FACTOR, 1.0)


def typical_draw_gal_day(homes_served: npt.ArrayLike) -> FloatArray:
    """(N,) gallons of hot water a day for heaters that serve this many homes; unknown (NaN) counts as one.

    45 gal/day a home lies between the low (38) and medium (55) patterns of the federal 24-hour test.
    """
    homes = np.asarray(homes_served, dtype=np.float64)
    return np.asarray(np.where(np.isnan(homes), 1.0, np.maximum(homes, 0.0)) * DRAW_PER_HOME_GAL_DAY)


def temperature_factor(setpoint_f: npt.ArrayLike) -> FloatArray:
    """Scale retained against that at 130 F: doubles per 20 F, held within 0.25 and 8."""
    setpoint = np.clip(np.asarray(setpoint_f, dtype=np.float64), *SETPOINT_RANGE_F)
    return np.asarray(np.clip(2.0 ** ((setpoint - REFERENCE_SETPOINT_F) / DOUBLING_F), 0.25, 8.0))


def scale_rate_kg_per_year(
    hardness_mg_l: npt.ArrayLike,
    setpoint_f: npt.ArrayLike,
    draw_gal_day: npt.ArrayLike,
    kind: npt.ArrayLike = 1.0,
    precipitation_potential_mg_l: npt.ArrayLike | None = None,
) -> FloatArray:
    """Scale that stays in the heater, kg a year (median; see `scale_range`).

    All arguments broadcast. `hardness_mg_l` is that of the water in the tank (after a softener if there is one),
    as CaCO3. `kind` is `kind_factor(kinds)`. Where `precipitation_potential_mg_l` (at tank temperature, see
    water.py) is known and not NaN, the rate is held to what chemistry allows: potential * volume, 0 when
    the water dissolves scale. Raises ValueError when a draw is negative.
    """
    hardness = np.clip(np.asarray(hardness_mg_l, dtype=np.float64), *HARDNESS_RANGE_MG_L)
    draw = np.asarray(draw_gal_day, dtype=np.float64)
    if np.any(draw < 0):
        raise ValueError(f"draw_gal_day must be 0 or more, not {float(np.nanmin(draw))}")
    litres_per_year = draw * LITRES_PER_GALLON * DAYS_PER_YEAR
    retained = RETAINED_FRACTION * np.asarray(kind, dtype=np.float64) * temperature_factor(setpoint_f)
    rate = np.asarray(retained * hardness * 1e-6 * litres_per_year, dtype=np.float64)
    if precipitation_potential_mg_l is None:
        return rate
    potential = np.asarray(precipitation_potential_mg_l, dtype=np.float64)
    most = np.maximum(potential, 0.0) * 1e-6 * litres_per_year
    return np.asarray(np.where(np.isnan(potential), rate, np.minimum(rate, most)), dtype=np.float64)


def scale_between_flushes_kg(rate_kg_per_year: npt.ArrayLike, years_since_flush: npt.ArrayLike) -> FloatArray:
    """Scale grown since the last flush (or since the heater was new), kg; negative years count as 0."""
    years = np.maximum(np.asarray(years_since_flush, dtype=np.float64), 0.0)
    return np.asarray(np.asarray(rate_kg_per_year, dtype=np.float64) * years, dtype=np.float64)


def scale_range(kg: npt.ArrayLike, coverage: float = 0.8) -> tuple[FloatArray, FloatArray]:
    """(low, high) of a scale mass or rate: the median divided and multiplied by the same factor (2.5 at 80 %)."""
    from scipy.stats import norm

    if not 0.0 < coverage < 1.0:
        raise ValueError(f"coverage must lie between 0 and 1, not {coverage}")
    factor = float(np.exp(SCALE_LOG_SD * norm.ppf(0.5 + coverage / 2.0)))
    median = np.asarray(kg, dtype=np.float64)
    return median / factor, median * factor


def scale_in_tank_kg(
    rate_kg_per_year: float,
    age_years: float,
    flush_ages_years: Sequence[float],
    removed_fraction: float = FLUSH_REMOVES_FRACTION,
) -> float:
    """All scale in one heater at an age, kg, when each flush takes out `removed_fraction` of what is there.

    Flushes after `age_years` are not counted. Raises ValueError for a fraction outside 0 to 1.
    """
    if not 0.0 <= removed_fraction <= 1.0:
        raise ValueError(f"removed_fraction must lie between 0 and 1, not {removed_fraction}")
    mass, since = 0.0, 0.0
    for flushed in sorted(age for age in flush_ages_years if 0.0 <= age <= age_years):
        mass = (mass + rate_kg_per_year * (flushed - since)) * (1.0 - removed_fraction)
        since = flushed
    return mass + rate_kg_per_year * (age_years - since)


def sediment_covariate(scale_since_flush_kg: npt.ArrayLike, capacity_gal: npt.ArrayLike) -> FloatArray:
    """The model's covariate `sediment`: log(1 + kg of scale since the last flush per 10 gal of tank).

    0 = just flushed; episodes.py takes off what a typical heater has at that age. A heater of less than 5 gal, or of unknown size (tankless), counts as 40 gal, so that its
    scale is comparable with that of a tank.
    """
    capacity = np.asarray(capacity_gal, dtype=np.float64)
    size = np.where(np.isnan(capacity) | (capacity < SMALLEST_TANK_GAL), TANKLESS_EQUIVALENT_GAL, capacity)
    mass = np.maximum(np.asarray(scale_since_flush_kg, dtype=np.float64), 0.0)
    return np.asarray(np.log1p(mass / (size / 10.0)), dtype=np.float64)
