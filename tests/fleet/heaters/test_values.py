"""Quantities and trade words as people write them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.heaters import values
from fleet.heaters.dates import UnreadableValue
from fleet.heaters.trade_words import parse_ending, parse_fuel, parse_work, settle_kind
from fleet.heaters.values import CAPACITY, HARDNESS, HEAT_INPUT, PRESSURE, Quantity, parse_quantity


@pytest.mark.parametrize(
    ("written", "quantity", "stored"),
    [
        ("50 gal", CAPACITY, 50),
        ("50-gal", CAPACITY, 50),
        ("50gal", CAPACITY, 50),
        (50.0, CAPACITY, 50),
        ("1,000 gallons", CAPACITY, 1000),
        ("190 L", CAPACITY, 50.1927),
        ("40k btu", HEAT_INPUT, 40_000),
        ("40,000", HEAT_INPUT, 40_000),
        ("40 MBH", HEAT_INPUT, 40_000),
        ("4.5 kW", HEAT_INPUT, 15_354.6373),
        ("65 psi", PRESSURE, 65),
        ("4.5 bar", PRESSURE, 65.267),
        ("450 kPa", PRESSURE, 65.267),
        ("10 gpg", HARDNESS, 171.18),
        ("205 ppm", HARDNESS, 205),
        ("10 dH", HARDNESS, 178.48),
    ],
)
def test_quantities_with_their_units(written: object, quantity: Quantity, stored: float) -> None:
    assert parse_quantity(written, quantity) == pytest.approx(stored, rel=1e-5)


@pytest.mark.parametrize(
    ("written", "quantity"),
    [
        ("big", CAPACITY),
        ("50 lb", CAPACITY),
        ("-5", CAPACITY),
        ("50000 gal", CAPACITY),
        ("12", HARDNESS),
        (True, CAPACITY),
    ],
)
def test_a_wrong_quantity_says_what_would_be_right(written: object, quantity: Quantity) -> None:
    with pytest.raises(UnreadableValue) as refusal:
        parse_quantity(written, quantity)
    assert quantity.example in refusal.value.right


def test_the_heading_can_name_the_unit() -> None:
    assert parse_quantity(190, CAPACITY, "L") == pytest.approx(50.1927)
    assert parse_quantity("12", HARDNESS, "gpg") == pytest.approx(205.416)
    assert parse_quantity("50 gal", CAPACITY, "L") == 50


@pytest.mark.parametrize(
    ("written", "fahrenheit"), [("120", 120), ("120F", 120), ("49 C", 120.2), ("60°C", 140), (140.0, 140)]
)
def test_set_points(written: object, fahrenheit: float) -> None:
    assert values.parse_setpoint_f(written) == pytest.approx(fahrenheit)


def test_a_bare_temperature_that_may_be_either_scale_is_refused() -> None:
    with pytest.raises(UnreadableValue, match="Celsius or Fahrenheit"):
        values.parse_setpoint_f("49")
    assert values.parse_setpoint_f("49", "C") == pytest.approx(120.2)


@pytest.mark.parametrize(
    ("written", "answer"),
    [("Y", True), ("x", True), (1.0, True), ("No", False), ("", None), ("unknown", None)],
)
def test_yes_and_no(written: object, answer: bool | None) -> None:
    assert values.parse_yes_no(written) is answer


@given(st.floats(1, 5000))
def test_litres_and_gallons_agree(gallons: float) -> None:
    litres = parse_quantity(f"{gallons * values.LITRES_PER_GALLON:.6f} L", CAPACITY)
    assert litres == pytest.approx(gallons, rel=1e-4, abs=1e-3)


@given(st.one_of(st.text(max_size=20), st.floats(), st.integers()))
def test_anything_is_read_or_refused_but_never_breaks(written: object) -> None:
    for quantity in (CAPACITY, HEAT_INPUT, PRESSURE, HARDNESS):
        try:
            found = parse_quantity(written, quantity)
        except UnreadableValue:
            continue
        assert found is None or quantity.low <= found <= quantity.high


@pytest.mark.parametrize(
    ("written", "fuel"),
    [
        ("NG", "natural_gas"),
        ("nat gas", "natural_gas"),
        ("LP", "propane"),
        ("elec", "electricity"),
        ("HP", "electricity"),
        ("?", ""),
    ],
)
def test_fuels(written: str, fuel: str) -> None:
    assert parse_fuel(written) == fuel


@pytest.mark.parametrize(
    ("words", "fuel", "capacity", "kind"),
    [
        ("hp", "", 50, "heat_pump"),
        ("", "natural_gas", 50, "gas_storage_atmospheric"),
        ("gas", "", 40, "gas_storage_atmospheric"),
        ("", "natural_gas", 119, "commercial_gas_storage"),
        ("elec tank", "", 50, "electric_storage"),
        ("tankless", "electricity", None, "electric_tankless"),
        ("on-demand gas", "", None, "gas_tankless"),
        ("power vent", "natural_gas", 50, "gas_storage_power_vent"),
        ("indirect", "", 80, "indirect_tank"),
        ("boiler + tank", "natural_gas", 200, "boiler_with_tank"),
        ("heat_pump", "", 50, "heat_pump"),
        ("tank", "", 50, ""),
    ],
)
def test_kinds_from_all_a_row_says(words: str, fuel: str, capacity: float | None, kind: str) -> None:
    assert settle_kind(words, fuel, "", capacity, None)[0] == kind


@pytest.mark.parametrize(
    ("written", "ending"),
    [
        ("active", ""),
        ("leaking tank", "tank_leak"),
        ("dead - not worth repair", "failed_beyond_repair"),
        ("planned replacement", "replaced_as_planned"),
        ("converted", "converted"),
        ("removed", "removed"),
        ("", ""),
    ],
)
def test_endings(written: str, ending: str) -> None:
    assert parse_ending(written) == ending


@pytest.mark.parametrize(
    ("written", "work"),
    [
        ("Flushed tank", "flush"),
        ("new anode", "anode_renewed"),
        ("checked anode", "anode_inspected"),
        ("T&P test", "relief_valve_tested"),
        ("relief valve replaced", "relief_valve_renewed"),
        ("replaced element", "element_renewed"),
        ("descale", "descaled"),
        ("looked over", "inspected"),
    ],
)
def test_work(written: str, work: str) -> None:
    assert parse_work(written) == work
