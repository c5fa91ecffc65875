"""Yearly energy of a water heater from its uniform energy factor, and the least factor that a class may have.

    heat delivered a day = gallons x density x heat capacity x temperature rise
    energy taken a day   = heat delivered / UEF

The uniform energy factor is the heat delivered over the energy taken in the simulated-use test, so dividing by it
gives the energy of a home that draws as the test does: 10 CFR 430 subpart B appendix E (from memory, not verified;
the draws of the test, summed by pattern, and its temperatures were read second-hand).  Density and heat capacity:
LBNL Home Energy Saver documentation, daily water heater energy use (read).
Least factors: 10 CFR 430.32(d) as in ASHRAE 90.1-2019 appendix F-2, read second-hand.
"""

from __future__ import annotations

import numpy as np

POUNDS_A_GALLON = 8.293752
BTU_A_POUND_F = 1.000743
BTU_A_KWH = 3412.14
BTU_A_THERM = 100_000.0
BTU_A_GALLON_PROPANE = 91_500.0
TEST_INLET_F = 58.0
TEST_SETPOINT_F = 125.0
TEST_DRAW_GAL_A_DAY = {"very_small": 10.0, "low": 38.0, "medium": 55.0, "high": 84.0}
# Gallons a day and apartment, average day, by apartments served: ASHRAE HVAC Applications, Service Water Heating
# (average-day column read second-hand).
APARTMENTS = (20.0, 50.0, 75.0, 100.0, 200.0)
AVERAGE_DAY_GAL = (42.0, 40.0, 38.0, 37.0, 35.0)
_LEAST = {
    ("gas", False): {
        "very_small": (0.3456, 0.0020), "low": (0.5982, 0.0019), "medium": (0.6483, 0.0017), "high": (0.6920, 0.0013),
    },
    ("gas", True): {
        "very_small": (0.6470, 0.0006), "low": (0.7689, 0.0005), "medium": (0.7897, 0.0004), "high": (0.8072, 0.0003),
    },
    ("electric", False): {
        "very_small": (0.8808, 0.0008), "low": (0.9254, 0.0003), "medium": (0.9307, 0.0002), "high": (0.9349, 0.0001),
    },
    ("electric", True): {
        "very_small": (1.9236, 0.0011), "low": (2.0440, 0.0011), "medium": (2.1171, 0.0011), "high": (2.2418, 0.0011),
    },
}  # fmt: skip


def draw_pattern(first_hour_gal: float) -> str:
    """The test's draw pattern of a storage heater by its first-hour rating (16 CFR 305 appendix D1)."""
    for limit, name in ((18.0, "very_small"), (51.0, "low"), (75.0, "medium")):
        if first_hour_gal < limit:
            return name
    return "high"


def least_uef(fuel: str, rated_gal: float, pattern: str = "medium") -> float:
    """Least uniform energy factor of a consumer storage heater made from 2015 on.

    fuel 'gas' (20 to 100 gal) or 'electric' (20 to 120 gal).  Raises ValueError outside them.
    """
    top = {"gas": 100.0, "electric": 120.0}
    if fuel not in top or not 20 <= rated_gal <= top[fuel] or pattern not in TEST_DRAW_GAL_A_DAY:
        raise ValueError(f"no least factor for {fuel!r}, {rated_gal:g} gal, {pattern!r}")
    base, slope = _LEAST[(fuel, rated_gal > 55)][pattern]
    return base - slope * rated_gal


def heat_delivered_btu(gallons: float, rise_f: float) -> float:
    return gallons * POUNDS_A_GALLON * BTU_A_POUND_F * rise_f


def yearly_energy_btu(gallons_a_day: float, rise_f: float, uef: float) -> float:
    """Site energy a year.  Raises ValueError for a factor or a draw that cannot be."""
    if not uef > 0 or gallons_a_day < 0 or rise_f < 0:
        raise ValueError(
            f"draw {gallons_a_day}, rise {rise_f} and factor {uef} must be 0 or more, the factor above 0"
        )
    return 365.0 * heat_delivered_btu(gallons_a_day, rise_f) / uef


def daily_draw_gal(homes: float) -> float:
    """Average day's draw of a heater that serves these homes, by the handbook's apartments."""
    return homes * float(np.interp(homes, APARTMENTS, AVERAGE_DAY_GAL))
