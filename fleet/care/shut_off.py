"""What to shut off and in what order, and what stays usable: for the card, and for an unsafe finding."""

from __future__ import annotations

from dataclasses import dataclass

from fleet.heaters.models import GAS, TANKLESS, Heater


@dataclass(frozen=True)
class ShutOff:
    dangers: tuple[str, ...]
    steps: tuple[str, ...]
    stays: str
    contact: str


def shut_off_steps(heater: Heater) -> ShutOff:
    """Common practice, no source: heat first, water second, then call. Nothing here asks anyone to take a risk."""
    place = heater.position
    gas = heater.kind in GAS
    dangers = [
        "Hissing, steam, or hot water pouring from a pipe: stay away.",
        "Water near wires or a breaker: do not touch; keep out.",
    ]
    if gas:
        dangers.insert(
            0, "Smell of gas, or a carbon-monoxide alarm: touch no switch, go out, call from outside."
        )
    heat = (
        "Gas: turn the cock on the gas pipe beside the heater a quarter turn, until it stands across the pipe."
        if gas
        else "Power: switch the heater off at its breaker or disconnect, only with dry hands on a dry floor."
    )
    if heater.kind == "indirect_tank":
        heat = "Heat: switch off the boiler or its pump, only with dry hands on a dry floor."
    water = (
        "Water: no valve of its own is on record here; close the building's main valve."
        if place.has_shutoff_valve is False
        else "Water: close the valve on the cold pipe of the heater, clockwise or a quarter turn."
    )
    leave = "Leave the relief valve and its pipe alone. Never plug or cap it."
    if heater.kind not in TANKLESS:
        leave += " Do not drain a hot tank: the water scalds."
    stays = "Cold water stays usable elsewhere; hot water from this heater does not."
    if place.has_shutoff_valve is False:
        stays = "With the main valve closed there is no water in the building until it is opened again."
    contact = place.building.property.emergency_contact
    return ShutOff(tuple(dangers), (heat, water, leave), stays, contact)
