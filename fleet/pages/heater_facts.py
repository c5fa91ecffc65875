"""The facts of one heater in the order a person asks for them, each with its unit and where it came from."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from fleet.estate.models import Position
from fleet.heaters.models import Heater
from fleet.pages import selectors, words


@dataclass(frozen=True)
class Fact:
    label: str
    value: str
    source: str

    @property
    def known(self) -> bool:
        return self.value != words.NOT_KNOWN


# (label, field, unit) by what a person wants to know.
GROUPS: tuple[tuple[str, tuple[tuple[str, str, str], ...]], ...] = (
    (
        "What it is",
        (
            ("Kind", "kind", ""),
            ("Fuel", "fuel", ""),
            ("Capacity", "capacity_gal", "US gal"),
            ("Input", "input_btu_h", "Btu/h"),
            ("Energy factor", "energy_factor", ""),
            ("Maker", "maker", ""),
            ("Model number", "model_number", ""),
            ("Serial number", "serial_number", ""),
            ("Homes served", "homes_served", ""),
        ),
    ),
    (
        "How old it is",
        (("Put in", "installed", ""), ("Made", "made", ""), ("Warranty", "warranty_years", "years")),
    ),
    (
        "How it is set up",
        (
            ("Set point", "setpoint_f", "\u00b0F"),
            ("Anode", "anode_kind", ""),
            ("Anodes fitted", "anode_count", ""),
            ("Relief valve opens at", "relief_valve_psi", "psi"),
            ("Relief valve can release", "relief_valve_btu_h", "Btu/h"),
            ("Vent", "vent_kind", ""),
            ("Recirculation", "recirculation", ""),
        ),
    ),
)


def _value(heater: Heater, name: str, unit: str) -> str:
    if name in ("installed", "made"):
        return words.a_date(
            *(getattr(heater, f"{name}_{part}") for part in ("earliest", "latest", "precision"))
        )
    value = getattr(heater, name)
    if isinstance(value, bool):
        return words.yes_no(value)
    if hasattr(heater, f"get_{name}_display"):
        return str(getattr(heater, f"get_{name}_display")()) if value else words.NOT_KNOWN
    return words.a_number(value, unit)


def facts(heater: Heater, today: date) -> tuple[str, list[tuple[str, list[Fact]]]]:
    """Where the record as a whole came from, and the facts in groups, each with a source where it has another."""
    named, otherwise = selectors.origins(heater)

    def source(name: str, value: str) -> str:
        if value == words.NOT_KNOWN:
            return ""
        return named.get(name) or named.get(f"{name}_latest") or named.get(f"{name}_earliest") or ""

    found = []
    for title, rows in GROUPS:
        group = [
            Fact(label, value, source(name, value))
            for label, name, unit in rows
            for value in [_value(heater, name, unit)]
        ]
        if title == "How old it is":
            group.insert(0, _age(heater, today))
        found.append((title, group))
    return otherwise, found


def _age(heater: Heater, today: date) -> Fact:
    until = today if heater.in_service else heater.removed_latest or today
    label = "Age" if heater.in_service else "Age when it left service"
    age = words.an_age(heater.installed_earliest, heater.installed_latest, until)
    if age != words.NOT_KNOWN:
        return Fact(label, age, "worked out from the day it was put in")
    by_make = words.an_age(heater.made_earliest, heater.made_latest, until)
    return Fact(label, by_make, "worked out from the day it was made" if by_make != words.NOT_KNOWN else "")


def place_facts(place: Position) -> list[tuple[str, str]]:
    """What someone who comes to a leak wants to know of the place."""
    where = (place.label, place.room, f"floor {place.floor}" if place.floor else "")
    return [
        ("Where", ", ".join(part for part in where if part)),
        ("What lies below", str(place.get_below_display())),
        ("Drain pan", words.yes_no(place.has_pan)),
        ("Leak alarm", words.yes_no(place.has_leak_alarm)),
        ("Valve on the cold side", words.yes_no(place.has_shutoff_valve)),
    ]
