"""What could go in next at one place: price in its parts, fit, work it brings, energy, and what the rules say.

Every figure carries where it came from; a fit or a duty that the record does not settle is 'not known'.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from functools import cache
from typing import Any

from django.conf import settings

from fleet.heaters.models import GAS, Fuel, Heater, Kind
from fleet.planning import costing
from fleet.planning.efficiency import EfficiencyRule, rules_touching
from fleet.planning.models import CostBook
from fleet.planning.successors import change_cautions, going_in, rules_of

SHIPPED_FACTS = settings.ROOT / "fixtures" / "successor_facts.csv"
# What may stand in place of each kind, beside itself.
IN_PLACE_OF: dict[str, tuple[str, ...]] = {
    Kind.ELECTRIC_STORAGE: (Kind.HEAT_PUMP,),
    Kind.GAS_STORAGE_ATMOSPHERIC: (Kind.GAS_STORAGE_CONDENSING, Kind.GAS_STORAGE_POWER_VENT, Kind.HEAT_PUMP),
    Kind.GAS_STORAGE_POWER_VENT: (Kind.GAS_STORAGE_CONDENSING, Kind.HEAT_PUMP),
    Kind.GAS_STORAGE_CONDENSING: (Kind.HEAT_PUMP,),
    Kind.GAS_TANKLESS: (Kind.HEAT_PUMP,),
    Kind.ELECTRIC_TANKLESS: (Kind.HEAT_PUMP,),
}
ABOVE_IN = 12.0  # room for pipes, vent and filter above; common practice, no source
BESIDE_IN = 2.0
HEAT_PUMP_AIR_FT3 = (700.0, 1000.0)  # from memory, not verified
YEARS_OF_RULES = 5


@dataclass(frozen=True)
class Fact:
    height_in: float
    width_in: float
    uef: float | None
    source: str


@dataclass(frozen=True)
class Fit:
    """fits True or False, None where the record does not say; `words` hold the figures."""

    fits: bool | None
    words: list[str]


@dataclass(frozen=True)
class Energy:
    """Energy a year at one factor and draw; `kwh` and `therms` are what the meter sees."""

    uef: float
    uef_from: str
    btu: float
    amount: str
    money: Decimal
    price_from: str


@dataclass(frozen=True)
class NextUnit:
    kind: str
    like_for_like: bool
    by_rule: bool
    quote: costing.Quote | None
    fit: Fit
    energy: Energy | None
    saved_a_year: Decimal | None
    cautions: list[str]
    rules: list[EfficiencyRule] = field(default_factory=list)

    @property
    def words(self) -> str:
        return str(Kind(self.kind).label)


@cache
def _facts() -> dict[str, list[tuple[float, Fact]]]:
    table: dict[str, list[tuple[float, Fact]]] = {}
    with SHIPPED_FACTS.open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            fact = Fact(
                float(row["height_in"]),
                float(row["width_in"]),
                float(row["uef"]) if row["uef"] else None,
                row["source"],
            )
            table.setdefault(row["kind"], []).append((float(row["from_gal"]), fact))
    return table


def fact_of(kind: str, capacity_gal: float | None) -> Fact:
    rows = _facts()[kind]
    return [fact for lower, fact in rows if lower <= (capacity_gal or 0)][-1]


def fit_of(kind: str, capacity_gal: float | None, place: Any) -> Fit:
    """Whether a unit of this kind has room. Each clear measure settles or leaves open its part."""
    fact = fact_of(kind, capacity_gal)
    answers: list[bool | None] = []
    words = [f"about {fact.height_in:g} in high and {fact.width_in:g} in wide ({fact.source})"]
    for name, clear, needed in (
        ("height", place.clear_height_in, fact.height_in + ABOVE_IN),
        ("width", place.clear_width_in, fact.width_in + BESIDE_IN),
        ("depth", place.clear_depth_in, fact.width_in + BESIDE_IN),
    ):
        if clear is None:
            answers.append(None)
            words.append(f"clear {name} not on record, needs about {needed:g} in")
        else:
            answers.append(clear >= needed)
            words.append(f"clear {name} {clear:g} in, needs about {needed:g} in")
    if kind == Kind.HEAT_PUMP:
        low, high = HEAT_PUMP_AIR_FT3
        air = place.room_volume_ft3
        answers.append(None if air is None or low <= air < high else air >= high)
        have = "not on record" if air is None else f"{air:,.0f} ft³"
        words.append(f"room air {have}, needs about {low:,.0f} to {high:,.0f} ft³ or ducts: see its label")
    fits = False if False in answers else None if None in answers else True
    return Fit(fits, words)


def uef_of(heater: Heater, kind: str) -> tuple[float, str] | None:
    """The factor to reckon with and where it comes from; None where none can be said."""
    from forecasting.energy import least_uef

    if kind == heater.kind and heater.energy_factor:
        return heater.energy_factor, "entered for this heater"
    fact = fact_of(kind, heater.capacity_gal)
    if fact.uef is not None:
        return fact.uef, f"assumed: {fact.source}"
    fuel = "gas" if kind in GAS else "electric"
    if kind in (Kind.GAS_STORAGE_ATMOSPHERIC, Kind.GAS_STORAGE_POWER_VENT, Kind.ELECTRIC_STORAGE):
        size = min(max(heater.capacity_gal or 50.0, 20.0), 55.0)
        return (
            round(least_uef(fuel, size), 4),
            f"assumed: least factor at {size:g} gal and medium draw (10 CFR 430.32(d), read second-hand)",
        )
    return None


def energy_of(heater: Heater, kind: str, prices: costing.PriceList) -> Energy | None:
    """Energy and its money a year for the homes served, at the record's set point."""
    from forecasting import energy

    found = uef_of(heater, kind)
    if found is None:
        return None
    uef, uef_from = found
    homes = heater.homes_served or 1.0
    setpoint = heater.setpoint_f or energy.TEST_SETPOINT_F
    rise = max(setpoint - energy.TEST_INLET_F, 0.0)
    btu = energy.yearly_energy_btu(energy.daily_draw_gal(homes), rise, uef)
    item, unit, per = "electricity_kwh", "kWh", energy.BTU_A_KWH
    if kind in GAS:
        item, unit, per = "natural_gas_therm", "therms", energy.BTU_A_THERM
        if heater.fuel == Fuel.PROPANE:
            item, unit, per = "propane_gal", "gal of propane", energy.BTU_A_GALLON_PROPANE
    units = Decimal(repr(round(btu / per, 4)))
    return Energy(
        uef,
        uef_from,
        btu,
        f"{units:,.0f} {unit}",
        costing.cents(units * prices.amount(item)),
        prices.status.get(item, "no price"),
    )


def next_units(heater: Heater, book: CostBook, today: date) -> list[NextUnit]:
    """Like for like first, then what may stand in its place."""
    place = costing.places([heater.pk])[heater.pk]
    prices = costing.price_list(book, {heater.kind: heater.capacity_gal or 50.0})
    following = going_in(rules_of(book.organisation_id), heater.kind, place.property_id, today)
    old = energy_of(heater, heater.kind, prices)
    until = date(today.year + YEARS_OF_RULES, 12, 31)
    kinds = [heater.kind, *IN_PLACE_OF.get(heater.kind, ())]
    if following not in kinds:
        kinds.append(following)
    units = []
    for kind in kinds:
        new = energy_of(heater, kind, prices)
        units.append(
            NextUnit(
                kind,
                kind == heater.kind,
                kind == following,
                costing.quote(place, prices, kind, costing.conversion_parts(place, kind, prices)),
                fit_of(kind, heater.capacity_gal, heater.position),
                new,
                None if new is None or old is None else old.money - new.money,
                change_cautions(heater.kind, kind),
                rules_touching(kind, heater.capacity_gal, until),
            )
        )
    return units


def energy_note(heater: Heater) -> str:
    """What the energy figures stand on."""
    served = heater.homes_served
    homes = f"{served:g} home{'' if served == 1 else 's'}" if served else "one home, assumed"
    setpoint = f"{heater.setpoint_f:g} °F" if heater.setpoint_f else "125 °F, that of the test, assumed"
    return (
        f"Energy a year = draw x density x heat capacity x temperature rise / uniform energy factor (10 CFR 430 subpart B "
        f"appendix E), for {homes} at the handbook's average day (ASHRAE HVAC Applications, Service Water Heating), set "
        f"point {setpoint}, inlet 58 °F. A home that draws less or more pays less or more."
    )
