"""Hardness, scaling and corrosion indices of the water in a heater, at the temperature of its tank.

Conventions: every function takes scalars or numpy arrays that broadcast. Hardness, calcium hardness and
alkalinity are mg/L as CaCO3 (a laboratory's calcium in mg/L of Ca goes through `calcium_hardness`); temperatures
are degrees C; dissolved solids mg/L; conductivity uS/cm. NaN means not tested.

An index that cannot be computed, or would mean nothing, is 'not applicable': `Index.value` is NaN and
`Index.reason` says why. Softened and very soft water (calcium hardness under 10 mg/L) is the common case: the
logarithm of almost no calcium is a number without a meaning.

Two forms of the saturation pH stand here and differ by up to about 0.2:

- `ph_saturation`: SM 2330 B, with temperature-dependent constants and activity; pH 6 to 9.5, 0 to 90 C, ionic
  strength below 0.5. Used for everything else in this program.
- `ph_saturation_carrier`: the trade's table form; 30 to 180 F (-1 to 82 C: the printed table ends
  at 178 F, a published example at 82 C), dissolved solids above 10 mg/L.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecasting.carbonate import (
    bicarbonate_mol,
    calcite_log_solubility,
    heated_ph,
    precipitated_calcite_mol,
    second_dissociation,
    single_charge_activity,
)

FloatArray = npt.NDArray[np.float64]

MG_CACO3_PER_MOL = 100087.0
MG_CACO3_PER_EQUIVALENT = 50043.5
MG_CHLORIDE_PER_EQUIVALENT = 35453.0
MG_SULFATE_PER_EQUIVALENT = 48030.0
SOFT_CALCIUM_MG_L = 10.0
LEAST_ALKALINITY_MG_L = 5.0
PH_RANGE = (6.0, 9.5)
TEMPERATURE_RANGE_C = (0.0, 90.0)
CARRIER_RANGE_C = (-1.2, 82.2)
LARSON_ALKALINITY_MG_L = (20.0, 400.0)  # engineering judgement: 'not for very low or very high alkalinity'
NO_TEST_TEMPERATURE = "temperature of the pH test not known, or outside 0 to 90 C"

GRAIN_MG = 64.79891
HARDNESS_UNITS: dict[str, float] = {
    "mg/L": 1.0,
    "ppm": 1.0,
    "gpg": GRAIN_MG / 3.785411784,
    "dH": 17.848,
    "fH": 10.0,
    "Clark": GRAIN_MG / 4.54609,
    "mmol/L": 100.087,
    "meq/L": 50.0435,
}
USGS_CLASSES: tuple[str, ...] = ("soft", "moderately hard", "hard", "very hard")
WQA_CLASSES: tuple[str, ...] = ("soft", "slightly hard", "moderately hard", "hard", "very hard")


@dataclass(frozen=True)
class Index:
    """An index over an array of waters: `value` NaN and a `reason` where not applicable ('' where it is)."""

    value: FloatArray
    reason: npt.NDArray[np.str_]

    @property
    def applicable(self) -> npt.NDArray[np.bool_]:
        """True where the value means something."""
        return np.asarray(self.reason == "", dtype=bool)


def to_mg_l(value: npt.ArrayLike, unit: str) -> FloatArray:
    """Hardness in mg/L as CaCO3 from gpg (US), dH (German), fH (French), Clark, mmol/L, meq/L, ppm or mg/L."""
    return np.asarray(np.asarray(value, dtype=np.float64) * _unit(unit), dtype=np.float64)


def from_mg_l(hardness_mg_l: npt.ArrayLike, unit: str) -> FloatArray:
    """Hardness in `unit` from mg/L as CaCO3; see `to_mg_l`."""
    return np.asarray(np.asarray(hardness_mg_l, dtype=np.float64) / _unit(unit), dtype=np.float64)


def _unit(unit: str) -> float:
    if unit not in HARDNESS_UNITS:
        raise ValueError(f"hardness unit {unit!r} is not known; use one of {', '.join(HARDNESS_UNITS)}")
    return HARDNESS_UNITS[unit]


def calcium_hardness(calcium_mg_l: npt.ArrayLike) -> FloatArray:
    """Calcium hardness, mg/L as CaCO3, from mg/L of Ca (times 2.497, SM 2340 B)."""
    return np.asarray(np.asarray(calcium_mg_l, dtype=np.float64) * 2.497, dtype=np.float64)


def hardness_of_ions(calcium_mg_l: npt.ArrayLike, magnesium_mg_l: npt.ArrayLike) -> FloatArray:
    """Total hardness, mg/L as CaCO3: 2.497 Ca + 4.118 Mg, ions in mg/L. Source: SM 2340 B."""
    magnesium = np.asarray(magnesium_mg_l, dtype=np.float64)
    return np.asarray(calcium_hardness(calcium_mg_l) + 4.118 * magnesium, dtype=np.float64)


def hardness_class(hardness_mg_l: npt.ArrayLike, system: str = "USGS") -> npt.NDArray[np.str_]:
    """Class in words, '' where NaN. The two systems use 'soft' differently, so say which one is shown.

    USGS: soft to 60, moderately hard to 120, hard to 180 mg/L, very hard above. WQA: soft below 1 grain per gallon,
    slightly hard to 3.5, moderately hard to 7, hard to 10.5, very hard above.
    """
    hardness = np.asarray(hardness_mg_l, dtype=np.float64)
    if system == "USGS":
        edges, names = np.array([60.0, 120.0, 180.0]), USGS_CLASSES
    elif system == "WQA":
        edges, names = to_mg_l(np.array([1.0, 3.5, 7.0, 10.5]), "gpg"), WQA_CLASSES
    else:
        raise ValueError(f"hardness system {system!r} is not known; use USGS or WQA")
    place = np.searchsorted(edges, np.nan_to_num(hardness), side="left")
    return np.where(np.isnan(hardness), "", np.asarray(names)[place])


def ionic_strength(
    dissolved_solids_mg_l: npt.ArrayLike = np.nan, conductivity_us_cm: npt.ArrayLike = np.nan
) -> FloatArray:
    """Ionic strength, mol/L: 2.5e-5 * dissolved solids, else 1.6e-5 * conductivity (SM 2330 B); NaN if neither."""
    solids = np.asarray(dissolved_solids_mg_l, dtype=np.float64)
    conductivity = np.asarray(conductivity_us_cm, dtype=np.float64)
    return np.asarray(np.where(np.isnan(solids), 1.6e-5 * conductivity, 2.5e-5 * solids), dtype=np.float64)


def ph_saturation(
    calcium_hardness_mg_l: npt.ArrayLike,
    alkalinity_mg_l: npt.ArrayLike,
    temperature_c: npt.ArrayLike,
    strength_mol_l: npt.ArrayLike,
    ph: npt.ArrayLike = 7.5,
) -> Index:
    """Saturation pH after SM 2330 B: pK2 - pKs + p[Ca] + p[HCO3] + 5 pfm, mol/L.

    `ph` is used to part bicarbonate from carbonate and hydroxide in the alkalinity; it matters above pH 9 only.
    """
    calcium, alkalinity, temperature, strength, ph_now = _broadcast(
        calcium_hardness_mg_l, alkalinity_mg_l, temperature_c, strength_mol_l, ph
    )
    reason = _why_not(calcium, alkalinity, temperature, strength, ph_now)
    safe = _safe(reason)
    pfm = single_charge_activity(safe(strength, 0.01), safe(temperature, 25.0))
    bicarbonate = bicarbonate_mol(
        safe(alkalinity, 100.0) / MG_CACO3_PER_EQUIVALENT, safe(ph_now, 7.5), safe(temperature, 25.0), pfm
    )
    kelvin = safe(temperature, 25.0) + 273.15
    value = (
        second_dissociation(kelvin)
        - calcite_log_solubility(kelvin)
        - np.log10(safe(calcium, 100.0) / MG_CACO3_PER_MOL)
        - np.log10(bicarbonate)
        + 5.0 * pfm
    )
    return _index(value, reason)


def ph_saturation_carrier(
    calcium_hardness_mg_l: npt.ArrayLike,
    alkalinity_mg_l: npt.ArrayLike,
    temperature_c: npt.ArrayLike,
    dissolved_solids_mg_l: npt.ArrayLike,
) -> Index:
    """Saturation pH, simplified form: 9.3 + A + B - C - D.

    A = (log10 TDS - 1) / 10; B = -13.12 log10(T + 273) + 34.55; C = log10 Ca - 0.4; D = log10 alkalinity. The
    printed table B of UFC 3-240-13FN lies 0.05 to 0.11 under this formula: they are two fits of one curve.
    """
    calcium, alkalinity, temperature, solids = _broadcast(
        calcium_hardness_mg_l, alkalinity_mg_l, temperature_c, dissolved_solids_mg_l
    )
    reason = _why_not(
        calcium, alkalinity, temperature, solids, np.full(calcium.shape, 7.5), CARRIER_RANGE_C, 2e4
    )
    reason = np.where((reason == "") & (solids <= 10.0), "dissolved solids of 10 mg/L or less", reason)
    safe = _safe(reason)
    a = (np.log10(safe(solids, 100.0)) - 1.0) / 10.0
    b = -13.12 * np.log10(safe(temperature, 25.0) + 273.0) + 34.55
    c = np.log10(safe(calcium, 100.0)) - 0.4
    d = np.log10(safe(alkalinity, 100.0))
    return _index(9.3 + a + b - c - d, reason)


def ph_in_tank(
    ph: npt.ArrayLike,
    alkalinity_mg_l: npt.ArrayLike,
    test_temperature_c: npt.ArrayLike,
    tank_temperature_c: npt.ArrayLike,
    strength_mol_l: npt.ArrayLike,
) -> FloatArray:
    """pH after heating in a closed tank: alkalinity and carbon stay, the balance shifts (see carbonate.py).

    Without ion pairs: at 60 to 70 C up to 0.08 high, above pH 8 up to 0.11. Holding the cold pH
    overstates the saturation index at 60 C by about 0.15.
    """
    return heated_ph(
        np.asarray(ph, dtype=np.float64),
        np.asarray(alkalinity_mg_l, dtype=np.float64) / MG_CACO3_PER_EQUIVALENT,
        np.asarray(test_temperature_c, dtype=np.float64),
        np.asarray(tank_temperature_c, dtype=np.float64),
        np.asarray(strength_mol_l, dtype=np.float64),
    )


def langelier(ph: npt.ArrayLike, saturation: Index) -> Index:
    """Langelier index pH - pHs, both at one temperature: above 0 scale may form, below 0 it dissolves."""
    return _index(np.asarray(ph, dtype=np.float64) - saturation.value, saturation.reason)


def ryznar(ph: npt.ArrayLike, saturation: Index) -> Index:
    """Ryznar index 2 pHs - pH: below 5.5 heavy scale, 6.2 to 6.8 neither, above 8.5 very corrosive (Ryznar 1942)."""
    return _index(2.0 * saturation.value - np.asarray(ph, dtype=np.float64), saturation.reason)


def larson_skold(
    chloride_mg_l: npt.ArrayLike, sulfate_mg_l: npt.ArrayLike, alkalinity_mg_l: npt.ArrayLike
) -> Index:
    """Larson-Skold index (Cl + SO4) / alkalinity, all meq/L.

    Below 0.8 attack on mild steel is unlikely, to 1.2 possible, above it likely. From Great Lakes waters; not
    applicable outside 20 to 400 mg/L alkalinity (`larson_skold_ratio` gives the bare figure).
    """
    chloride, sulfate, alkalinity = _broadcast(chloride_mg_l, sulfate_mg_l, alkalinity_mg_l)
    reason = np.full(chloride.shape, "", dtype="U80")
    low, high = LARSON_ALKALINITY_MG_L
    outside = (alkalinity < low) | (alkalinity > high)
    reason = np.where(outside, f"alkalinity outside {low:g} to {high:g} mg/L", reason)
    for name, tested in (("chloride", chloride), ("sulfate", sulfate), ("alkalinity", alkalinity)):
        reason = np.where(np.isnan(tested), f"{name} not tested", reason)
        reason = np.where(tested < 0, f"{name} below 0", reason)
    return _index(larson_skold_ratio(chloride, sulfate, alkalinity), reason)


def larson_skold_ratio(
    chloride_mg_l: npt.ArrayLike, sulfate_mg_l: npt.ArrayLike, alkalinity_mg_l: npt.ArrayLike
) -> FloatArray:
    """The bare ratio of `larson_skold`, whatever the alkalinity."""
    chloride, sulfate, alkalinity = _broadcast(chloride_mg_l, sulfate_mg_l, alkalinity_mg_l)
    anions = chloride / MG_CHLORIDE_PER_EQUIVALENT + sulfate / MG_SULFATE_PER_EQUIVALENT
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(anions / (alkalinity / MG_CACO3_PER_EQUIVALENT), dtype=np.float64)


def precipitation_potential(
    ph: npt.ArrayLike,
    calcium_hardness_mg_l: npt.ArrayLike,
    alkalinity_mg_l: npt.ArrayLike,
    test_temperature_c: npt.ArrayLike,
    tank_temperature_c: npt.ArrayLike,
    strength_mol_l: npt.ArrayLike,
) -> Index:
    """CaCO3 that falls out (+) or would dissolve (-) until the heated, closed water is saturated, mg/L.

    Solves the carbonate balance at tank temperature without ion pairs. Against a geochemistry program on four tap
    waters it reads 1 to 9 % high at 50 to 70 C where 30 mg/L or more fall out, within 1 mg/L where less does,
    and up to a quarter high in cold, hard sulfate water. Same range as `ph_saturation`.
    """
    acidity, calcium, alkalinity, test, tank, strength = _broadcast(
        ph, calcium_hardness_mg_l, alkalinity_mg_l, test_temperature_c, tank_temperature_c, strength_mol_l
    )
    reason = _why_not(calcium, alkalinity, tank, strength, acidity)
    reason = np.where((reason == "") & ~_between(test, TEMPERATURE_RANGE_C), NO_TEST_TEMPERATURE, reason)
    safe = _safe(reason)
    moles = precipitated_calcite_mol(
        safe(acidity, 7.5),
        safe(calcium, 100.0) / MG_CACO3_PER_MOL,
        safe(alkalinity, 100.0) / MG_CACO3_PER_EQUIVALENT,
        safe(test, 25.0),
        safe(tank, 60.0),
        safe(strength, 0.01),
    )
    return _index(moles * MG_CACO3_PER_MOL, reason)


def tank_indices(
    ph: npt.ArrayLike,
    calcium_hardness_mg_l: npt.ArrayLike,
    alkalinity_mg_l: npt.ArrayLike,
    test_temperature_c: npt.ArrayLike,
    setpoint_f: npt.ArrayLike,
    dissolved_solids_mg_l: npt.ArrayLike = np.nan,
    conductivity_us_cm: npt.ArrayLike = np.nan,
) -> dict[str, Index]:
    """The indices of a water test at tank temperature: langelier, ryznar, precipitation_potential (mg/L).

    The pH is carried to tank temperature first. Arrays broadcast; what is not applicable says why.
    """
    tank_c = (np.asarray(setpoint_f, dtype=np.float64) - 32.0) / 1.8
    strength = ionic_strength(dissolved_solids_mg_l, conductivity_us_cm)
    hot_ph = ph_in_tank(ph, alkalinity_mg_l, test_temperature_c, tank_c, strength)
    saturation = ph_saturation(calcium_hardness_mg_l, alkalinity_mg_l, tank_c, strength, hot_ph)
    potential = precipitation_potential(
        ph, calcium_hardness_mg_l, alkalinity_mg_l, test_temperature_c, tank_c, strength
    )
    tested_at = _between(np.asarray(test_temperature_c, dtype=np.float64), TEMPERATURE_RANGE_C)
    given = ~np.isnan(np.asarray(ph, dtype=np.float64))
    unsure = given & ~tested_at & np.isin(saturation.reason, ["", "pH not tested"])
    saturation = _index(saturation.value, np.where(unsure, NO_TEST_TEMPERATURE, saturation.reason))
    return {
        "langelier": langelier(hot_ph, saturation),
        "ryznar": ryznar(hot_ph, saturation),
        "precipitation_potential": potential,
    }


def _why_not(
    calcium: FloatArray,
    alkalinity: FloatArray,
    temperature: FloatArray,
    strength: FloatArray,
    ph: FloatArray,
    temperature_range: tuple[float, float] = TEMPERATURE_RANGE_C,
    strength_limit: float = 0.5,
) -> npt.NDArray[np.str_]:
    """Why an index does not apply, '' where it does; the first of the reasons that holds."""
    low, high = temperature_range
    tests: list[tuple[npt.NDArray[np.bool_], str]] = [
        (np.isnan(calcium), "calcium not tested"),
        (np.isnan(alkalinity), "alkalinity not tested"),
        (np.isnan(strength), "neither dissolved solids nor conductivity tested"),
        (np.isnan(temperature), "temperature not known"),
        (np.isnan(ph), "pH not tested"),
        (calcium < SOFT_CALCIUM_MG_L, f"softened or very soft: calcium under {SOFT_CALCIUM_MG_L:g} mg/L"),
        (alkalinity < LEAST_ALKALINITY_MG_L, f"alkalinity under {LEAST_ALKALINITY_MG_L:g} mg/L"),
        (~_between(ph, PH_RANGE), f"pH outside {PH_RANGE[0]:g} to {PH_RANGE[1]:g}"),
        (~_between(temperature, temperature_range), f"temperature outside {low:g} to {high:g} C"),
        ((strength <= 0.0) | (strength >= strength_limit), "dissolved salts outside the formula's range"),
    ]
    return np.select([bad for bad, _ in tests], [words for _, words in tests], default="")


def _between(values: FloatArray, limits: tuple[float, float]) -> npt.NDArray[np.bool_]:
    return np.asarray((values >= limits[0]) & (values <= limits[1]), dtype=bool)


class _safe:
    """Stands a harmless value in for those that do not apply, so that nothing overflows on the way to NaN."""

    def __init__(self, reason: npt.NDArray[np.str_]) -> None:
        self.fine = reason == ""

    def __call__(self, values: FloatArray, otherwise: float) -> FloatArray:
        return np.where(self.fine, values, otherwise)


def _index(value: FloatArray, reason: npt.NDArray[np.str_]) -> Index:
    shaped, words = np.broadcast_arrays(value, reason)
    return Index(np.where(words == "", shaped, np.nan), words)


def _broadcast(*values: npt.ArrayLike) -> tuple[FloatArray, ...]:
    return tuple(np.broadcast_arrays(*(np.asarray(value, dtype=np.float64) for value in values)))
