"""What the cells of one row say together: the kind, the install date, what cannot be true and what is improbable."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from fleet.heaters.dates import ImpreciseDate, UnreadableValue
from fleet.heaters.trade_words import KIND_NAMES, read_kind_words, settle_kind

if TYPE_CHECKING:
    from fleet.heaters.rows import ReadRow, SheetReading

# What a person should look at twice. Common practice, no source.
OLD_YEARS = 40
HIGH_STATIC_PSI = 150
HIGHEST_PSI = 300
HIGH_SETPOINT_F = 180
LOW_SETPOINT_F = 100
TANKLESS_GAL = 10
SMALL_TANK_GAL = 2
LARGE_TANK_GAL = 1000


def check_row(reading: SheetReading, row: ReadRow, as_of: date) -> None:
    if reading.kind == "heaters":
        _check_heater(reading, row, as_of)
    elif reading.kind == "service":
        if "work" not in row.values:
            reading.refuse(row, "work", "no work is named", "what was done, such as flush or anode renewed")
        if not row.values.get("tag") and not row.values.get("position"):
            reading.refuse(row, "tag", "no heater is named", "the heater's tag, or its building and position")
    elif reading.kind == "water":
        measured = [
            name for name in row.values if name not in ("property", "building", "treatment", "tested")
        ]
        if not measured:
            reading.refuse(
                row, "hardness_mg_l", "nothing was measured", "at least one result, such as a hardness"
            )
        if "property" not in row.values and "building" not in row.values:
            reading.refuse(row, "property", "no property is named", "the property the water was taken at")
    elif "property" not in row.values:
        reading.refuse(row, "property", "no property is named", "the property's name")


def _check_heater(reading: SheetReading, row: ReadRow, as_of: date) -> None:
    values = row.values
    if "tag" not in values and "position" not in values and "room" not in values:
        reading.refuse(
            row, "tag", "neither a tag nor a place is given", "the heater's tag or where it stands"
        )
    _settle_kind(reading, row)
    age: ImpreciseDate | None = values.pop("age", None)
    if age is not None and "installed" not in values:
        values["installed"] = age
    _settle_ending(reading, row)
    _check_dates(reading, row, as_of)
    _check_sizes(reading, row)


def _settle_kind(reading: SheetReading, row: ReadRow) -> None:
    values = row.values
    kind, fuel, assumed = settle_kind(
        values.get("kind") or _kind_beside_fuel(reading, row),
        values.get("fuel", ""),
        values.get("vent_kind", ""),
        values.get("capacity_gal"),
        values.get("input_btu_h"),
    )
    if not kind:
        where = "kind" if reading.heading_of("kind") else "fuel"
        reading.refuse(
            row,
            where,
            "the row does not say what kind of heater this is",
            "one of: " + "; ".join(KIND_NAMES.values()),
        )
        return
    values["kind"] = kind
    if fuel:
        values["fuel"] = fuel
    if assumed and "tankless" in assumed:
        reading.warn(row, "kind", assumed)


def _kind_beside_fuel(reading: SheetReading, row: ReadRow) -> str:
    """Many lists have one column for both: 'heat pump' or 'gas commercial' under 'Gas/Elec'."""
    try:
        return read_kind_words(reading.cell_of(row, "fuel"))
    except UnreadableValue:
        return ""


def _settle_ending(reading: SheetReading, row: ReadRow) -> None:
    values = row.values
    if "removed" in values and "ending" not in values:
        values["ending"] = "removed"
        reading.warn(row, "removed", "why it left service is not said: taken as removed")


def _check_dates(reading: SheetReading, row: ReadRow, as_of: date) -> None:
    values: dict[str, Any] = row.values
    installed: ImpreciseDate | None = values.get("installed")
    removed: ImpreciseDate | None = values.get("removed")
    made: ImpreciseDate | None = values.get("made")
    if installed and installed.earliest:
        if removed and removed.latest and removed.latest < installed.earliest:
            reading.refuse(
                row,
                "removed",
                f"it left service ({removed}) before it was put in ({installed})",
                f"a day no earlier than {installed.earliest.isoformat()}",
            )
        if made and made.earliest and installed.latest and made.earliest > installed.latest:
            reading.warn(row, "made", f"it was made ({made}) after it was put in ({installed})")
        still_there = "ending" not in values
        if still_there and installed.latest and (as_of - installed.latest).days > OLD_YEARS * 365.25:
            reading.warn(
                row, "installed", f"a heater from {installed.latest.year} still in service is improbable"
            )


def _check_sizes(reading: SheetReading, row: ReadRow) -> None:
    values = row.values
    for name, what in (
        ("static_pressure_psi", "a water pressure"),
        ("relief_valve_psi", "a relief-valve rating"),
    ):
        pressure = values.get(name)
        if pressure is None:
            continue
        if pressure > HIGHEST_PSI:
            del values[name]
            reading.warn(row, name, f"{what} of {pressure:g} psi is improbable: left out until confirmed")
        elif name == "static_pressure_psi" and pressure > HIGH_STATIC_PSI:
            reading.warn(row, name, f"{what} of {pressure:g} psi is improbable")
    capacity, kind = values.get("capacity_gal"), values.get("kind", "")
    if capacity is not None and kind.endswith("tankless") and capacity > TANKLESS_GAL:
        reading.warn(row, "capacity_gal", f"a tankless heater of {capacity:g} gal is improbable")
    if (
        capacity is not None
        and not kind.endswith("tankless")
        and not SMALL_TANK_GAL <= capacity <= LARGE_TANK_GAL
    ):
        reading.warn(row, "capacity_gal", f"a tank of {capacity:,g} gal is improbable")
    setpoint = values.get("setpoint_f")
    if setpoint is not None and not LOW_SETPOINT_F <= setpoint <= HIGH_SETPOINT_F:
        reading.warn(row, "setpoint_f", f"a set point of {setpoint:g} F is improbable")
