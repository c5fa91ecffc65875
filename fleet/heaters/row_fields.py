"""How each field of each kind of sheet is read from its cell, and what it is called when a row is refused."""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, InvalidOperation
from typing import Any

from fleet.heaters import trade_words, values
from fleet.heaters.date_reading import MONTHS, parse_date
from fleet.heaters.dates import (
    AmbiguousDate,
    DayMonthOrder,
    ImpreciseDate,
    LeftOut,
    UnreadableValue,
    from_age,
)
from fleet.heaters.headings import LAST_WORK, SheetKind
from fleet.heaters.values import Quantity, is_unknown, parse_number, parse_quantity, parse_text, parse_whole


@dataclass(frozen=True)
class Setting:
    """What a cell is read against: the day the file speaks from and the hint of its column."""

    as_of: date
    hint: str = ""

    @property
    def order(self) -> DayMonthOrder | None:
        return self.hint if self.hint in ("mdy", "dmy") else None  # type: ignore[return-value]


Reader = Callable[[Any, Setting], Any]


def _text(name: str, longest: int) -> Reader:
    return lambda cell, setting: "" if is_unknown(cell) else parse_text(cell, name, longest)


def _quantity(quantity: Quantity) -> Reader:
    return lambda cell, setting: parse_quantity(cell, quantity, setting.hint or None)


def _number(name: str, low: float, high: float) -> Reader:
    return lambda cell, setting: parse_number(cell, name, low, high)


def _whole(name: str, low: int, high: int) -> Reader:
    return lambda cell, setting: parse_whole(cell, name, low, high)


def _word(parse: Callable[[object], Any]) -> Reader:
    return lambda cell, setting: parse(cell)


def _date(cell: object, setting: Setting) -> ImpreciseDate | None:
    found = parse_date(cell, setting.as_of, setting.order)
    return found if found.is_known else None


def _fuel(cell: object, setting: Setting) -> str:
    try:
        return trade_words.parse_fuel(cell)
    except UnreadableValue:
        trade_words.read_kind_words(cell)  # a kind without its fuel, such as 'tankless', is one too
        return ""


def _last_done(cell: object, setting: Setting) -> ImpreciseDate | None:
    """The day of a work, if it was ever done. Other words ('yes', 'Bob') say nothing of when; the heater is taken."""
    if isinstance(cell, str) and cell.strip().casefold() in ("never", "no", "n", "not yet", "not done"):
        return None
    try:
        return _date(cell, setting)
    except AmbiguousDate:
        raise
    except UnreadableValue as error:
        raise LeftOut(error.problem, error.right) from error


def _whole_day(cell: object, setting: Setting) -> date | None:
    """A day that starts a period: of a vague date the earliest would claim too much, so the latest."""
    found = parse_date(cell, setting.as_of, setting.order)
    return found.latest


def _age(cell: object, setting: Setting) -> ImpreciseDate | None:
    if is_unknown(cell):
        return None
    if isinstance(cell, (int, float)) and not isinstance(cell, bool):
        return from_age(float(cell), setting.as_of)
    text = str(cell).strip()
    if re.fullmatch(r"\d+(\.\d+)?", text):
        return from_age(float(text), setting.as_of)
    found = parse_date(text, setting.as_of, setting.order)
    if not found.from_age:
        raise UnreadableValue(f"'{text}' is not an age", "an age such as 12 or 12 yrs")
    return found


def _setpoint(cell: object, setting: Setting) -> float | None:
    return values.parse_setpoint_f(cell, setting.hint or None)


def _maybe_pressure(cell: object, setting: Setting) -> float | None:
    """A relief-valve cell often says 'yes', '150/210' or '3/4 in': only a pressure is kept."""
    if is_unknown(cell) or str(cell).strip().casefold() in ("yes", "y", "no", "n", "x", "ok"):
        return None
    first = re.split(r"\s*[/@,]\s*", str(cell).strip())[0]
    try:
        return parse_quantity(first, values.PRESSURE, setting.hint or None)
    except UnreadableValue as error:
        raise LeftOut(error.problem, error.right) from error


def _month_number(cell: object, setting: Setting) -> int | None:
    if is_unknown(cell):
        return None
    if isinstance(cell, str) and (month := MONTHS.get(cell.strip().casefold().rstrip("."))):
        return month
    return parse_whole(cell, "month", 1, 12)


def _time_zone(cell: object, setting: Setting) -> str:
    name = "" if is_unknown(cell) else parse_text(cell, "time zone", 64)
    if name and name not in zoneinfo.available_timezones():
        raise UnreadableValue(f"'{name}' is not a time zone", "a name such as America/Denver")
    return name


def _currency(cell: object, setting: Setting) -> str:
    code = "" if is_unknown(cell) else str(cell).strip().upper().replace("US$", "USD")
    code = "USD" if code == "$" else code
    if code and not re.fullmatch(r"[A-Z]{3}", code):
        raise UnreadableValue(f"'{code}' is not a currency", "a code of three letters such as USD")
    return code


def _code_family(cell: object, setting: Setting) -> str:
    words = "" if is_unknown(cell) else str(cell).strip().casefold()
    if not words:
        return ""
    if re.search(r"\bipc\b|international", words):
        return "ipc"
    return "upc" if re.search(r"\bupc\b|uniform", words) else "other"


def _money(cell: object, setting: Setting) -> Decimal | None:
    if is_unknown(cell):
        return None
    text = re.sub(r"[$€£,\s]|usd|eur|gbp|cad", "", str(cell).casefold())
    try:
        amount = Decimal(text).quantize(Decimal("0.01"))
    except InvalidOperation as error:
        raise UnreadableValue(f"'{cell}' is not an amount of money", "an amount such as 350.00") from error
    if not 0 <= amount < Decimal("1e10"):
        raise UnreadableValue(f"a cost of {amount} is not possible", "an amount from 0 up, such as 350.00")
    return amount


def _anode_count(cell: object, setting: Setting) -> int | None:
    if isinstance(cell, str) and cell.strip().casefold() in ("none", "none fitted"):
        return 0
    return parse_whole(cell, "number of anodes", 0, 20)


_PLACE: dict[str, Reader] = {
    "property": _text("property", 200),
    "building": _text("building", 200),
    "position": _text("position", 200),
}
_PROPERTY: dict[str, Reader] = {
    "address": _text("address", 300),
    "time_zone": _time_zone,
    "fiscal_year_start_month": _month_number,
    "currency": _currency,
    "code_family": _code_family,
    "records_since": _whole_day,
    "emergency_contact": _text("emergency contact", 200),
    "latitude": _number("latitude in degrees north", -90, 90),
    "longitude": _number("longitude in degrees east", -180, 180),
    "softened_since": _whole_day,
}
_YES_NO = _word(values.parse_yes_no)
READERS: dict[SheetKind, dict[str, Reader]] = {
    "properties": {"property": _PLACE["property"]} | _PROPERTY,
    "heaters": _PLACE
    | _PROPERTY
    | dict.fromkeys(LAST_WORK, _last_done)
    | {
        "year_built": _whole("year built", 1600, 2200),
        "units_served": _whole("number of homes", 0, 5000),
        "floor": _text("floor", 40),
        "room": _text("room", 120),
        "below": _word(trade_words.parse_below),
        "has_pan": _YES_NO,
        "has_drain": _YES_NO,
        "has_leak_alarm": _YES_NO,
        "has_shutoff_valve": _YES_NO,
        "closed_system": _YES_NO,
        "has_expansion_tank": _YES_NO,
        "static_pressure_psi": _quantity(values.PRESSURE),
        "seismic_zone": _text("seismic zone", 20),
        "clear_height_in": _quantity(values.LENGTH_IN),
        "clear_width_in": _quantity(values.LENGTH_IN),
        "clear_depth_in": _quantity(values.LENGTH_IN),
        "room_volume_ft3": _number("room volume in cubic feet", 1, 1_000_000),
        **{
            name: _YES_NO
            for name in (
                "hard_access",
                "has_mixing_valve",
                "has_sediment_trap",
                "has_seismic_straps",
                "vent_lined",
                "has_240v_circuit",
            )
        },
        "tag": _text("tag", 80),
        "kind": _word(trade_words.read_kind_words),
        "fuel": _fuel,
        "maker": _text("maker", 120),
        "model_number": _text("model", 120),
        "serial_number": _text("serial number", 120),
        "capacity_gal": _quantity(values.CAPACITY),
        "input_btu_h": _quantity(values.HEAT_INPUT),
        "energy_factor": _number("energy factor", 0.1, 10),
        "made": _date,
        "installed": _date,
        "age": _age,
        "removed": _date,
        "ending": _word(trade_words.parse_ending),
        "warranty_years": _number("warranty", 0, 50),
        "anode_kind": _word(trade_words.parse_anode_kind),
        "anode_count": _anode_count,
        "setpoint_f": _setpoint,
        "relief_valve_psi": _maybe_pressure,
        "relief_valve_btu_h": _quantity(values.HEAT_INPUT),
        "vent_kind": _text("vent", 60),
        "recirculation": _YES_NO,
        "homes_served": _number("homes served", 0, 5000),
        "notes": _text("notes", 5000),
    },
    "service": _PLACE
    | {
        "tag": _text("tag", 80),
        "work": _word(trade_words.parse_work),
        "done": _date,
        "anode_left_fraction": _word(values.parse_fraction),
        "setpoint_f": _setpoint,
        "cost": _money,
        "done_by": _text("done by", 200),
        "notes": _text("notes", 5000),
    },
    "water": {name: _PLACE[name] for name in ("property", "building")}
    | {
        "treatment": _word(trade_words.parse_treatment),
        "tested": _date,
        "hardness_mg_l": _quantity(values.HARDNESS),
        "calcium_mg_l": _quantity(values.CONCENTRATION),
        "alkalinity_mg_l": _quantity(values.CONCENTRATION),
        "ph": _quantity(values.ACIDITY),
        "dissolved_solids_mg_l": _quantity(values.CONCENTRATION),
        "conductivity_us_cm": _quantity(values.CONDUCTIVITY),
        "chloride_mg_l": _quantity(values.CONCENTRATION),
        "sulfate_mg_l": _quantity(values.CONCENTRATION),
        "temperature_c": _quantity(values.WATER_TEMPERATURE),
    },
}
