"""Carbonate balance of fresh water: constants, activity, heating in a closed tank, calcite that falls out.

Concentrations mol/L (alkalinity in equivalents/L), temperatures C or kelvin as named, arrays broadcast. Constants
for 0 to 90 C:

- pK1, pK2: Plummer and Busenberg 1982, from memory, not verified against the paper; held against a
  geochemistry program in tests/outside. pKs of calcite: the same authors' form, as printed in the source of
  the open water-chemistry package tidywater.
- pKw = 4470.99 / K - 6.0875 + 0.01706 K (Harned and Owen form, from memory, not verified).
- Activity: SM 2330 B, pfm = A (sqrt I / (1 + sqrt I) - 0.3 I), ionic strength I below 0.5; a charge of two counts
  four times.

Ion pairs (CaSO4, CaHCO3 and the like) are left out; they bind a few percent of the calcium in hard water.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

_HALVINGS = 45
_LEAST = 1e-12
_MOST_DISSOLVED_MOL = 0.02


def first_dissociation(kelvin: FloatArray) -> FloatArray:
    """pK1 of carbonic acid."""
    return np.asarray(
        356.3094
        + 0.06091964 * kelvin
        - 21834.37 / kelvin
        - 126.8339 * np.log10(kelvin)
        + 1684915.0 / kelvin**2,
        dtype=np.float64,
    )


def second_dissociation(kelvin: FloatArray) -> FloatArray:
    """pK2 of carbonic acid: 10.33 at 25 C."""
    return np.asarray(
        107.8871
        + 0.03252849 * kelvin
        - 5151.79 / kelvin
        - 38.92561 * np.log10(kelvin)
        + 563713.9 / kelvin**2,
        dtype=np.float64,
    )


def calcite_log_solubility(kelvin: FloatArray) -> FloatArray:
    """pKs of calcite: 8.480 at 25 C, 8.759 at 60 C."""
    return np.asarray(
        171.9065 + 0.077993 * kelvin - 2839.319 / kelvin - 71.595 * np.log10(kelvin), dtype=np.float64
    )


def water_dissociation(kelvin: FloatArray) -> FloatArray:
    """pKw: 14.00 at 25 C, 13.0 at 60 C."""
    return np.asarray(4470.99 / kelvin - 6.0875 + 0.01706 * kelvin, dtype=np.float64)


def single_charge_activity(strength_mol_l: FloatArray, temperature_c: FloatArray) -> FloatArray:
    """pfm = -log10 of the activity coefficient of a single charge (SM 2330 B), ionic strength below 0.5."""
    kelvin = temperature_c + 273.15
    dielectric = 60954.0 / (kelvin + 116.0) - 68.937
    a = 1.82e6 * (dielectric * kelvin) ** -1.5
    root = np.sqrt(strength_mol_l)
    return np.asarray(a * (root / (1.0 + root) - 0.3 * strength_mol_l), dtype=np.float64)


class _Balance:
    """Conditional constants at one temperature and ionic strength, on the scale of hydrogen activity."""

    def __init__(self, temperature_c: FloatArray, strength_mol_l: FloatArray) -> None:
        kelvin = temperature_c + 273.15
        self.pfm = single_charge_activity(strength_mol_l, temperature_c)
        self.k1 = 10.0 ** (self.pfm - first_dissociation(kelvin))
        self.k2 = 10.0 ** (3.0 * self.pfm - second_dissociation(kelvin))
        self.kw = 10.0 ** (self.pfm - water_dissociation(kelvin))
        self.pks = calcite_log_solubility(kelvin)

    def hydroxide_excess(self, ph: FloatArray) -> FloatArray:
        return np.asarray(self.kw * 10.0**ph - 10.0 ** (self.pfm - ph), dtype=np.float64)

    def bicarbonate(self, alkalinity: FloatArray, ph: FloatArray) -> FloatArray:
        carbonate_part = np.maximum(alkalinity - self.hydroxide_excess(ph), _LEAST)
        return np.asarray(carbonate_part / (1.0 + 2.0 * self.k2 * 10.0**ph), dtype=np.float64)

    def carbon(self, alkalinity: FloatArray, ph: FloatArray) -> FloatArray:
        hydrogen = 10.0**-ph
        share = 1.0 + hydrogen / self.k1 + self.k2 / hydrogen
        return np.asarray(self.bicarbonate(alkalinity, ph) * share, dtype=np.float64)

    def ph_of(self, alkalinity: FloatArray, carbon: FloatArray) -> FloatArray:
        low = np.full(np.broadcast(alkalinity, carbon, self.k1).shape, 2.0)
        high = np.full(low.shape, 13.0)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            hydrogen = 10.0**-middle
            bicarbonate = carbon / (1.0 + hydrogen / self.k1 + self.k2 / hydrogen)
            here = bicarbonate * (1.0 + 2.0 * self.k2 / hydrogen) + self.hydroxide_excess(middle)
            below = here < alkalinity
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return np.asarray(0.5 * (low + high), dtype=np.float64)

    def calcite_saturation(
        self, calcium: FloatArray, alkalinity: FloatArray, carbon: FloatArray
    ) -> FloatArray:
        ph = self.ph_of(alkalinity, carbon)
        hydrogen = 10.0**-ph
        carbonate = carbon * (self.k2 / hydrogen) / (1.0 + hydrogen / self.k1 + self.k2 / hydrogen)
        product = np.maximum(calcium, _LEAST) * np.maximum(carbonate, _LEAST**2)
        return np.asarray(np.log10(product) - 8.0 * self.pfm + self.pks, dtype=np.float64)


def bicarbonate_mol(
    alkalinity_eq: FloatArray, ph: FloatArray, temperature_c: FloatArray, pfm: FloatArray
) -> FloatArray:
    """Bicarbonate, mol/L, of an alkalinity at this pH (SM 2330 B): takes off hydroxide and carbonate.

    `pfm` is that of `single_charge_activity` at this temperature.
    """
    kelvin = temperature_c + 273.15
    hydroxide_excess = 10.0 ** (pfm + ph - water_dissociation(kelvin)) - 10.0 ** (pfm - ph)
    carbonate_part = np.maximum(alkalinity_eq - hydroxide_excess, _LEAST)
    ratio = 2.0 * 10.0 ** (3.0 * pfm + ph - second_dissociation(kelvin))
    return np.asarray(carbonate_part / (1.0 + ratio), dtype=np.float64)


def heated_ph(
    ph: FloatArray,
    alkalinity_eq: FloatArray,
    test_temperature_c: FloatArray,
    tank_temperature_c: FloatArray,
    strength_mol_l: FloatArray,
) -> FloatArray:
    """pH at tank temperature of water tested at another, nothing lost or gained. NaN in gives NaN out."""
    given = np.broadcast_arrays(ph, alkalinity_eq, test_temperature_c, tank_temperature_c, strength_mol_l)
    bad = np.any(np.isnan(given), axis=0)
    acidity, alkalinity, test, tank, strength = (
        np.where(bad, stand_in, value)
        for stand_in, value in zip((7.5, 0.002, 25.0, 60.0, 0.01), given, strict=True)
    )
    carbon = _Balance(test, strength).carbon(alkalinity, acidity)
    heated = _Balance(tank, strength).ph_of(alkalinity, carbon)
    return np.asarray(np.where(bad, np.nan, heated), dtype=np.float64)


def calcite_saturation_index(
    ph: FloatArray,
    calcium_mol: FloatArray,
    alkalinity_eq: FloatArray,
    test_temperature_c: FloatArray,
    tank_temperature_c: FloatArray,
    strength_mol_l: FloatArray,
) -> FloatArray:
    """log10 of the ion product over calcite's solubility, after closed heating; above 0 calcite may fall out."""
    carbon = _Balance(test_temperature_c, strength_mol_l).carbon(alkalinity_eq, ph)
    balance = _Balance(tank_temperature_c, strength_mol_l)
    return balance.calcite_saturation(calcium_mol, alkalinity_eq, carbon)


def precipitated_calcite_mol(
    ph: FloatArray,
    calcium_mol: FloatArray,
    alkalinity_eq: FloatArray,
    test_temperature_c: FloatArray,
    tank_temperature_c: FloatArray,
    strength_mol_l: FloatArray,
) -> FloatArray:
    """Calcite that falls out (+) or would dissolve (-) until saturation, mol/L, after closed heating.

    Each mole takes one of calcium, one of carbon, two equivalents of alkalinity. Found by halving; the ionic
    strength is held.
    """
    carbon = _Balance(test_temperature_c, strength_mol_l).carbon(alkalinity_eq, ph)
    balance = _Balance(tank_temperature_c, strength_mol_l)
    high = np.minimum(calcium_mol, carbon) * (1.0 - 1e-9)
    low = np.full(np.shape(high), -_MOST_DISSOLVED_MOL)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        index = balance.calcite_saturation(
            calcium_mol - middle, alkalinity_eq - 2.0 * middle, carbon - middle
        )
        above = index > 0.0
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.asarray(0.5 * (low + high), dtype=np.float64)
