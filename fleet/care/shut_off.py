"""What to shut off and in what order, and what stays usable: for the card, and for an unsafe finding."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fleet.care.card_words import OWN, all_words
from fleet.heaters.models import GAS, TANKLESS, Heater


@dataclass(frozen=True)
class ShutOff:
    dangers: tuple[str, ...]
    steps: tuple[str, ...]
    stays: str
    contact: str


def shut_off_steps(heater: Heater, words: Mapping[str, str] | None = None) -> ShutOff:
    """Common practice, no source: heat first, water second, then call. Nothing here asks anyone to take a risk."""
    words = words or all_words()[OWN]
    place = heater.position
    gas = heater.kind in GAS
    dangers = (*([words["gas_smell"]] if gas else []), words["steam"], words["wires"])
    heat = words["heat_gas"] if gas else words["heat_power"]
    if heater.kind == "indirect_tank":
        heat = words["heat_indirect"]
    no_valve = place.has_shutoff_valve is False
    water = words["water_main"] if no_valve else words["water_valve"]
    leave = words["leave"]
    if heater.kind not in TANKLESS:
        leave += " " + words["hot_tank"]
    stays = words["stays_main"] if no_valve else words["stays"]
    return ShutOff(dangers, (heat, water, leave), stays, place.building.property.emergency_contact)
