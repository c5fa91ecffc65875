"""What a replacement or a failure costs beside the heater itself: the items of the cost book, in words."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Item:
    """One price that is not a heater's: an amount a unit, a share, or both."""

    key: str
    words: str
    unit: str = ""  # what the amount is for; empty: the item has no amount
    share: str = ""  # what the share says; empty: the item has none
    group: str = ""


EACH = "each replacement"
NOT_ON_RECORD = "assumed to need it where the record does not say"
FAILURE = "each failure that leaks"
SAVED = "of the damage it prevents"
ITEMS: tuple[Item, ...] = (
    Item("permit", "Permit and inspection", EACH, group="Every replacement"),
    Item("haul_away", "Haul-away of the old heater", EACH, group="Every replacement"),
    Item("access", "Hard to reach", EACH, NOT_ON_RECORD, "Every replacement"),
    Item(
        "vent_connector", "New vent connector of a heater on natural draft", EACH, group="Every replacement"
    ),
    Item("expansion_tank", "Expansion tank", EACH, NOT_ON_RECORD, "Code work due at replacement"),
    Item("pan_and_drain", "Pan and drain", EACH, NOT_ON_RECORD, "Code work due at replacement"),
    Item("sediment_trap", "Sediment trap", EACH, NOT_ON_RECORD, "Code work due at replacement"),
    Item("vent_relining", "Vent or chimney relining", EACH, NOT_ON_RECORD, "Code work due at replacement"),
    Item("seismic_straps", "Seismic straps", EACH, NOT_ON_RECORD, "Code work due at replacement"),
    Item("mixing_valve", "Mixing valve", EACH, NOT_ON_RECORD, "Code work due at replacement"),
    Item(
        "new_circuit",
        "240 V circuit",
        "each change of kind",
        NOT_ON_RECORD,
        "Work that a change of kind brings",
    ),
    Item(
        "new_vent",
        "Plastic vent and condensate drain",
        "each change of kind",
        group="Work that a change of kind brings",
    ),
    Item(
        "condensate_drain",
        "Condensate drain",
        "each change of kind",
        group="Work that a change of kind brings",
    ),
    Item(
        "damage_finished",
        "Damage with finished space below",
        FAILURE,
        "assumed finished where the record does not say",
        "Damage if it fails",
    ),
    Item("damage_unfinished", "Damage with unfinished space below", FAILURE, group="Damage if it fails"),
    Item("damage_ground", "Damage on the ground", FAILURE, group="Damage if it fails"),
    Item(
        "failures_that_leak", "Failures that leak", share="of failures of a tank", group="Damage if it fails"
    ),
    Item("pan_and_drain_saves", "Pan with a drain", share=SAVED, group="Damage if it fails"),
    Item("pan_alone_saves", "Pan without a drain", share=SAVED, group="Damage if it fails"),
    Item("leak_alarm_saves", "Leak alarm", share=SAVED, group="Damage if it fails"),
    Item("flush", "One flush", "each visit", group="Care"),
    Item("anode_renewal", "One anode renewed", "each visit", group="Care"),
    Item("softener", "Softener put in", "a building", group="Care"),
    Item("softener_year", "Salt and service of a softener", "a building and year", group="Care"),
    Item("electricity_kwh", "Electricity", "a kWh", group="Energy"),
    Item("natural_gas_therm", "Natural gas", "a therm (100,000 Btu)", group="Energy"),
    Item("propane_gal", "Propane", "a gallon", group="Energy"),
)
ITEM_OF = {item.key: item for item in ITEMS}
CODE_WORK = tuple(item.key for item in ITEMS if item.group == "Code work due at replacement")
