"""Quantities, fuels, kinds and yes/no as people write them on a heater list, turned into the units we store.

Every reader takes what stood in the cell and, where the heading named a unit ('Capacity (L)'), that unit. An empty
cell or 'unknown' is None. What cannot be read raises UnreadableValue, which says what would have been readable.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from fleet.heaters.dates import UNKNOWN_WORDS, UnreadableValue

LITRES_PER_GALLON = 3.785411784  # US gallon, exact by definition
LITRES_PER_CUBIC_FOOT = 28.316846592  # exact by definition
BTU_H_PER_WATT = 3.412141633
PSI_PER_BAR = 14.503773773
MG_L_PER_GRAIN = 17.118  # grain per US gallon, as calcium carbonate
MG_L_PER_GERMAN_DEGREE = 17.848
MG_L_PER_FRENCH_DEGREE = 10.0
MG_L_PER_CLARK_DEGREE = 14.254
MG_L_PER_MMOL = 100.09

_YES = frozenset(
    {"yes", "y", "true", "t", "x", "1", "ok", "present", "installed", "have", "\u2713", "\u2714", "on"}
)
_NO = frozenset({"no", "n", "false", "f", "0", "absent", "off", "not installed", "missing", "without"})
_NUMBER = re.compile(
    r"(?P<number>[-+]?(?:\d{1,3}(?:[ ,\u00a0]\d{3})+|\d+)(?:[.,]\d+)?|[-+]?\.\d+)\s*(?P<thousands>k(?=$|[\s\d]|btu))?\s*"
    r"(?P<unit>.*)"
)


@dataclass(frozen=True, slots=True)
class Quantity:
    """How one kind of quantity is read: its units as factors to the stored one, and what is physically possible."""

    name: str
    stored: str
    units: Mapping[str, Callable[[float], float]]
    example: str
    low: float
    high: float
    bare_unit: str | None


def _times(factor: float) -> Callable[[float], float]:
    return lambda number: number * factor


def _units(**spellings: tuple[float, str]) -> dict[str, Callable[[float], float]]:
    return {
        spelling: _times(factor)
        for factor, words in spellings.values()
        for spelling in ("|" + words).split("|")[1:]
    }


CAPACITY = Quantity(
    "capacity",
    "gal",
    _units(
        gallon=(1.0, "gal|gals|gallon|gallons|g|us gal|usg"),
        litre=(1 / LITRES_PER_GALLON, "l|lt|ltr|ltrs|liter|liters|litre|litres"),
        cubic_metre=(1000 / LITRES_PER_GALLON, "m3|m\u00b3"),
    ),
    "50 gal or 190 L",
    0.1,
    10_000,
    "gal",
)
HEAT_INPUT = Quantity(
    "input",
    "Btu/h",
    _units(
        btu=(1.0, "btu|btus|btuh|btu/h|btu/hr|btu per hour|btu/hour"),
        thousand=(1000.0, "mbh|kbtu|kbtu/h|kbtu/hr|kbtuh|mbtu/h|mbtu"),
        million=(1e6, "mmbtu|mmbtu/h|mmbtu/hr"),
        watt=(BTU_H_PER_WATT, "w|watt|watts"),
        kilowatt=(BTU_H_PER_WATT * 1000, "kw|kilowatt|kilowatts"),
    ),
    "40000, 40k btu or 4.5 kW",
    500,
    20_000_000,
    "btu",
)
PRESSURE = Quantity(
    "pressure",
    "psi",
    _units(
        psi=(1.0, "psi|psig|lb|lbs|#|pounds"),
        bar=(PSI_PER_BAR, "bar|bars|barg"),
        kilopascal=(PSI_PER_BAR / 100, "kpa"),
        megapascal=(PSI_PER_BAR * 10, "mpa"),
    ),
    "65 psi, 4.5 bar or 450 kPa",
    1,
    1000,
    "psi",
)
_FAHRENHEIT = "f|\u00b0f|deg f|degf|fahrenheit|\u00baf"
_CELSIUS = "c|\u00b0c|deg c|degc|celsius|\u00bac|centigrade"
SETPOINT = Quantity(
    "set point",
    "\u00b0F",
    _units(fahrenheit=(1.0, _FAHRENHEIT)) | {word: lambda c: c * 9 / 5 + 32 for word in _CELSIUS.split("|")},
    "120 F or 49 C",
    60,
    210,
    "f",
)
WATER_TEMPERATURE = Quantity(
    "temperature",
    "\u00b0C",
    _units(celsius=(1.0, _CELSIUS)) | {word: lambda f: (f - 32) * 5 / 9 for word in _FAHRENHEIT.split("|")},
    "12 C or 54 F",
    -2,
    100,
    None,
)
_MILLIGRAMS = "mg/l|mg/l caco3|mg/l as caco3|ppm|ppm caco3|mgl|mg / l"
HARDNESS = Quantity(
    "hardness",
    "mg/L as calcium carbonate",
    _units(
        milligram=(1.0, _MILLIGRAMS),
        grain=(MG_L_PER_GRAIN, "gpg|gr|grain|grains|grains/gal|gr/gal|grains per gallon"),
        german=(MG_L_PER_GERMAN_DEGREE, "dh|\u00b0dh|dgh|\u00b0d"),
        french=(MG_L_PER_FRENCH_DEGREE, "fh|\u00b0fh|\u00b0f|f"),
        clark=(MG_L_PER_CLARK_DEGREE, "clark|\u00b0e|\u00b0clark|e"),
        mole=(MG_L_PER_MMOL, "mmol/l|mmol"),
    ),
    "12 gpg, 205 mg/L or 11 dH",
    0,
    2500,
    None,
)
CONCENTRATION = Quantity(
    "concentration", "mg/L", _units(milligram=(1.0, _MILLIGRAMS)), "85 mg/L", 0, 50_000, "mg/l"
)
CONDUCTIVITY = Quantity(
    "conductivity",
    "\u00b5S/cm",
    _units(
        micro=(1.0, "\u00b5s/cm|us/cm|\u03bcs/cm|\u00b5s|us|umho/cm|\u00b5mho/cm"),
        milli=(1000.0, "ms/cm|ms"),
        metre=(10.0, "ms/m"),
    ),
    "450 \u00b5S/cm",
    0,
    100_000,
    "\u00b5s/cm",
)
ACIDITY = Quantity("pH", "", {"ph": _times(1.0)}, "7.6", 0, 14, "ph")
LENGTH_IN = Quantity(
    "length",
    "in",
    _units(
        inch=(1.0, 'in|inch|inches|"|in.'),
        foot=(12.0, "ft|foot|feet|'|ft."),
        centimetre=(1 / 2.54, "cm"),
        metre=(100 / 2.54, "m"),
        millimetre=(1 / 25.4, "mm"),
    ),
    "24 in or 61 cm",
    1,
    1200,
    "in",
)
ROOM_VOLUME = Quantity(
    "volume",
    "ft\u00b3",
    _units(foot=(1.0, "ft3|ft\u00b3|cu ft|cuft|cf"), metre=(1000 / LITRES_PER_CUBIC_FOOT, "m3|m\u00b3")),
    "700 ft\u00b3 or 20 m\u00b3",
    1,
    1_000_000,
    "ft3",
)


def is_unknown(value: object) -> bool:
    return value is None or (isinstance(value, str) and " ".join(value.split()).casefold() in UNKNOWN_WORDS)


def parse_quantity(value: object, quantity: Quantity, heading_unit: str | None = None) -> float | None:
    """A quantity in its stored unit, rounded to what a person would write."""
    if is_unknown(value):
        return None
    if isinstance(value, bool):
        raise UnreadableValue(f"{value} is not a {quantity.name}", quantity.example)
    if isinstance(value, (int, float)):
        number, unit = float(value), ""
    else:
        number, unit = _number_and_unit(str(value), quantity)
    unit = unit or _known(heading_unit, quantity) or quantity.bare_unit or ""
    if not unit:
        raise UnreadableValue(
            f"{number:g} has no unit", f"the {quantity.name} with its unit, such as {quantity.example}"
        )
    stored = quantity.units[unit](number)
    if not math.isfinite(stored) or not quantity.low <= stored <= quantity.high:
        raise UnreadableValue(
            f"a {quantity.name} of {stored:,.6g} {quantity.stored}".rstrip() + " is not possible",
            f"{quantity.low:,g} to {quantity.high:,g} {quantity.stored}".rstrip()
            + f", such as {quantity.example}",
        )
    return round(stored, 4)


def parse_setpoint_f(value: object, heading_unit: str | None = None) -> float | None:
    """A set point in degrees Fahrenheit. A bare number that could be either scale is refused, not guessed."""
    if heading_unit is None or _known(heading_unit, SETPOINT) is None:
        bare = _bare_number(value)
        if bare is not None and 35 <= bare < 90:
            raise UnreadableValue(
                f"{bare:g} can be degrees Celsius or Fahrenheit",
                f"the unit as well: {bare:g} C or {bare:g} F",
            )
    return parse_quantity(value, SETPOINT, heading_unit)


def _bare_number(value: object) -> float | None:
    if isinstance(value, bool) or value is None:
        return None
    if isinstance(value, (int, float)):
        return float(value)
    text = str(value).strip()
    return float(text) if re.fullmatch(r"[-+]?\d+(\.\d+)?", text) else None


def _known(unit: str | None, quantity: Quantity) -> str | None:
    cleaned = _clean_unit(unit or "")
    return cleaned if cleaned in quantity.units else None


def _clean_unit(unit: str) -> str:
    return " ".join(unit.casefold().replace("\u00ba", "\u00b0").split()).strip(" .()[]").removeprefix("-")


@lru_cache(maxsize=65_536)
def _split_number(text: str) -> tuple[float, str] | None:
    match = _NUMBER.fullmatch(text.strip().lstrip("~\u2248").strip().casefold())
    if match is None:
        return None
    digits = re.sub(r"[ \u00a0]", "", match["number"])
    if re.fullmatch(r"[-+]?\d{1,3}(?:,\d{3})+(?:\.\d+)?", digits):
        digits = digits.replace(",", "")
    number = float(digits.replace(",", "."))
    return (number * 1000 if match["thousands"] else number), _clean_unit(match["unit"])


def _number_and_unit(text: str, quantity: Quantity) -> tuple[float, str]:
    split = _split_number(text)
    if split is None:
        raise UnreadableValue(f"'{text.strip()}' is not a {quantity.name}", quantity.example)
    number, unit = split
    if unit and unit not in quantity.units:
        singular = unit.split(" ")[0]
        if singular not in quantity.units:
            raise UnreadableValue(f"'{unit}' is not a unit of {quantity.name}", quantity.example)
        unit = singular
    return number, unit


def parse_number(value: object, name: str, low: float, high: float) -> float | None:
    """A plain number within bounds."""
    if is_unknown(value):
        return None
    number: float | None
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        number = float(value)
    else:
        split = _split_number(str(value))
        number = (
            split[0] if split and split[1] in ("", "yr", "yrs", "year", "years", "units", "homes") else None
        )
    if number is None or not math.isfinite(number):
        raise UnreadableValue(f"'{value}' is not a number", f"a number from {low:g} to {high:g}")
    if not low <= number <= high:
        raise UnreadableValue(f"{name} {number:g} is not possible", f"a number from {low:g} to {high:g}")
    return number


def parse_whole(value: object, name: str, low: int, high: int) -> int | None:
    number = parse_number(value, name, low, high)
    if number is None:
        return None
    if not number.is_integer():
        raise UnreadableValue(f"{number:g} is not a whole number", f"a whole number from {low} to {high}")
    return int(number)


def parse_fraction(value: object) -> float | None:
    """A share from 0 to 1: '0.4', '40 %', 40."""
    if is_unknown(value):
        return None
    text = str(value).strip()
    percent = text.endswith("%")
    split = _split_number(text.rstrip("% "))
    if split is None or split[1]:
        raise UnreadableValue(f"'{text}' is not a share", "a share such as 40 %")
    share = split[0] / 100 if percent or split[0] > 1 else split[0]
    if not 0 <= share <= 1:
        raise UnreadableValue(f"'{text}' is not between 0 and 100 %", "a share such as 40 %")
    return round(share, 4)


def parse_yes_no(value: object) -> bool | None:
    if is_unknown(value):
        return None
    if isinstance(value, bool):
        return value
    if isinstance(value, (int, float)) and value in (0, 1):
        return bool(value)
    word = str(value).strip().casefold().rstrip(".")
    if word in _YES:
        return True
    if word in _NO:
        return False
    raise UnreadableValue(f"'{str(value).strip()}' is neither yes nor no", "yes, no or empty for not known")


def unguarded(text: str) -> str:
    """Without the apostrophe that keeps a spreadsheet from running the text: our file of refused rows puts it there."""
    return text[1:] if len(text) > 1 and text[0] == "'" and text[1] in "=+-@" else text


def parse_text(value: object, name: str, longest: int) -> str:
    """Text as it stands, a whole number without its '.0', without the apostrophe that guards a formula."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    text = " ".join(str(value).split()) if longest <= 300 else str(value).strip()
    text = unguarded(text)
    if len(text) > longest:
        raise UnreadableValue(f"{name} is {len(text)} characters long", f"at most {longest} characters")
    if not text.isprintable() and any(ord(one) < 32 and one not in "\t\n\r" for one in text):
        raise UnreadableValue(f"{name} holds a control character", "plain text")
    return text
