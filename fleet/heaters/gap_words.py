"""The questions that the plan asks of a record, each with how to find the answer out."""

from __future__ import annotations

# input: (what is missing, how to find it out)
WORDS = {
    "age": ("year of installation unknown", "read the date or serial number on the rating plate"),
    "year_built": (
        "year built of the building unknown",
        "ask the owner or the assessor; where it is 40 years or more, the ages of the heaters found there are evidence",
    ),
    "water_test": ("no test of the raw water", "test the hardness at a cold tap, one test a building"),
    "setpoint": ("no set point", "read the thermostat, or measure at the nearest tap"),
    "anode_state": ("anode not looked at for two years", "inspect the anode at the next visit"),
    "flush_record": ("no flush on record", "ask the crew, or flush and write the day down"),
    "static_pressure": ("no static water pressure", "hold a gauge to a hose tap, one a building is a start"),
    "expansion_control": (
        "closed system or expansion tank unknown",
        "look for a check valve and an expansion tank",
    ),
    "homes_served": ("homes served unknown", "count the homes on this heater"),
    "capacity": ("tank size unknown", "read the rating plate"),
}
NAMES = tuple(WORDS)
OF_BUILDING = frozenset({"water_test", "year_built"})  # answered by a building, not heater by heater
