"""What goes in next: rules by date and place, work that a change brings, fit, energy, federal rules, pages."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.urls import reverse

from fleet.estate.models import HistoryEntry, Organisation, Position, Property
from fleet.heaters.models import Heater
from fleet.planning import costing, next_unit
from fleet.planning.capital import make_capital_plan
from fleet.planning.capital_rows import CapitalLine
from fleet.planning.code_work import Place
from fleet.planning.cost_book import ensure_cost_book
from fleet.planning.efficiency import efficiency_rules, rules_touching
from fleet.planning.models import ForecastRun, SuccessorRule
from fleet.planning.services import open_run, run_forecast
from fleet.planning.successors import (
    Rule,
    SuccessorRefused,
    change_cautions,
    conversion_work,
    going_in,
    save_successor_rule,
    turning_days,
)
from tests.conftest import Cast
from tests.fleet.planning.estates import AS_OF

pytestmark = pytest.mark.django_db
ELECTRIC, PUMP = "electric_storage", "heat_pump"


def test_the_latest_rule_in_force_stands_and_a_propertys_own_goes_first() -> None:
    rules = (
        Rule(None, ELECTRIC, PUMP, date(2029, 5, 6)),
        Rule(7, ELECTRIC, ELECTRIC, date(2027, 1, 1)),
        Rule(None, ELECTRIC, ELECTRIC, date(2031, 1, 1)),
    )
    assert going_in(rules, ELECTRIC, 1, date(2029, 5, 5)) == ELECTRIC
    assert going_in(rules, ELECTRIC, 1, date(2029, 5, 6)) == PUMP
    assert going_in(rules, ELECTRIC, 7, date(2030, 1, 1)) == ELECTRIC
    assert going_in(rules, ELECTRIC, 1, date(2032, 1, 1)) == ELECTRIC
    assert going_in(rules, "gas_tankless", 1, date(2030, 1, 1)) == "gas_tankless"
    assert turning_days(rules, date(2028, 1, 1)) == [date(2028, 1, 1), date(2029, 5, 6), date(2031, 1, 1)]


@pytest.mark.parametrize(
    ("kind", "to_kind", "circuit", "work"),
    [
        (ELECTRIC, PUMP, None, {"new_circuit": False, "condensate_drain": True, "new_vent": False}),
        (
            "gas_storage_atmospheric",
            PUMP,
            False,
            {"new_circuit": True, "condensate_drain": True, "new_vent": False},
        ),
        (
            "gas_storage_atmospheric",
            PUMP,
            None,
            {"new_circuit": None, "condensate_drain": True, "new_vent": False},
        ),
        (
            "gas_storage_atmospheric",
            "gas_storage_condensing",
            None,
            {"new_circuit": False, "condensate_drain": False, "new_vent": True},
        ),
        (ELECTRIC, ELECTRIC, False, {}),
    ],
)
def test_a_change_of_kind_brings_its_work(
    kind: str, to_kind: str, circuit: bool | None, work: dict[str, Any]
) -> None:
    assert conversion_work(kind, to_kind, circuit) == work


def test_leaving_gas_warns_of_what_stays_on_the_vent() -> None:
    assert any("old vent" in words for words in change_cautions("gas_storage_atmospheric", PUMP))
    assert change_cautions(ELECTRIC, ELECTRIC) == []


def test_the_price_of_a_change_is_the_new_kinds_line_and_its_work(in_house: Cast) -> None:
    book = ensure_cost_book(in_house.house, date(2026, 3, 1))
    prices = costing.price_list(book)
    place = Place("gas_storage_atmospheric", 50.0, has_240v_circuit=False, hard_access=False)
    one = costing.quote(place, prices, PUMP, costing.conversion_parts(place, PUMP, prices))
    assert one is not None
    assert one.line_planned == book.lines.get(kind=PUMP, capacity_from_gal=45).planned_cost
    parts = {part.item: part.amount for part in one.parts}
    assert parts["new_circuit"] == book.items.get(item="new_circuit").amount
    assert parts["condensate_drain"] == book.items.get(item="condensate_drain").amount
    assert "sediment_trap" not in parts
    assert one.planned == one.line_planned + sum(v for k, v in parts.items() if k != "damage")


def test_a_rule_from_a_day_on_makes_the_plan_dearer_from_that_year_and_not_before(
    estate: Organisation, done_run: ForecastRun
) -> None:
    before = run_forecast(open_run(estate, AS_OF, horizon_years=4, draws=4000, seed=5))
    save_successor_rule(estate, ELECTRIC, "gas_storage_condensing", date(2029, 1, 1), why="trial")
    after = run_forecast(open_run(estate, AS_OF, horizon_years=4, draws=4000, seed=5))

    def costs(run: ForecastRun) -> list[Decimal]:
        years = run.result["groups"]["total"][0]["years"]
        return [Decimal(year["cost"]["expected"]) for year in years]

    old, new = costs(before), costs(after)
    labels = [year["label"] for year in after.result["years"]]
    starts = next(at for at, year in enumerate(after.result["years"]) if year["start"] >= "2029-01-01")
    assert labels[starts]
    for at in range(starts - 1):
        # Same prices before the rule. One kind more is fitted, so the draws are others: two means of 4,000 differ by chance,
        # each by about one in fifty (the cost of such a year spreads by about its mean).
        assert abs(new[at] - old[at]) < Decimal("0.08") * old[at]
    assert new[starts] > old[starts] * Decimal("1.1")
    assert "gas storage, condensing from 2029-01-01" in after.assumptions["successor"]
    assert before.inputs_digest != after.inputs_digest


def test_the_capital_plan_sets_aside_the_price_of_the_kind_that_goes_in_that_year(
    estate: Organisation, done_run: ForecastRun
) -> None:
    heater = Heater.objects.filter(ending="", kind=ELECTRIC).first()
    save_successor_rule(estate, ELECTRIC, PUMP, date(2027, 1, 1))
    plan = make_capital_plan(estate, done_run, cap=Decimal(200000), must=[heater.pk])
    line = CapitalLine.objects.get(plan=plan, heater=heater)
    place = costing.places([heater.pk])[heater.pk]
    prices = costing.price_list(done_run.cost_book)
    year = plan.result["years"][line.period]
    kind = PUMP if year["start"] >= "2027-01-01" else ELECTRIC
    one = costing.quote(place, prices, kind, costing.conversion_parts(place, kind, prices))
    assert one is not None
    grown = line.set_aside / one.planned
    assert Decimal("1.0") <= grown < Decimal("1.03") ** (line.period + 1)


def test_rules_that_cannot_be_are_refused_with_what_would_be_right(in_house: Cast) -> None:
    for wanted, words in (
        ((ELECTRIC, "moat", date(2029, 1, 1)), "'moat' is not a kind"),
        ((ELECTRIC, "boiler_with_tank", date(2029, 1, 1)), "do not follow one another"),
        ((ELECTRIC, PUMP, date(1800, 1, 1)), "1800-01-01 is not possible"),
        ((ELECTRIC, PUMP, date(2029, 1, 1), 987), "no property 987"),
    ):
        with pytest.raises(SuccessorRefused, match=words):
            save_successor_rule(in_house.house, *wanted)
    assert not SuccessorRule.objects.exists()
    save_successor_rule(in_house.house, ELECTRIC, PUMP, date(2029, 1, 1))
    save_successor_rule(in_house.house, ELECTRIC, PUMP, date(2029, 1, 1), why="again")
    assert SuccessorRule.objects.get().why == "again"
    assert HistoryEntry.objects.filter(subject_kind="successorrule").count() == 2


def test_fit_is_settled_by_a_measure_that_is_too_small_and_open_where_one_is_missing(in_house: Cast) -> None:
    place = Position(clear_height_in=90, clear_width_in=40, clear_depth_in=40, room_volume_ft3=1500)
    assert next_unit.fit_of(PUMP, 50, place).fits is True
    place.room_volume_ft3 = 800
    assert next_unit.fit_of(PUMP, 50, place).fits is None
    place.room_volume_ft3 = 300
    assert next_unit.fit_of(PUMP, 50, place).fits is False
    low = Position(clear_height_in=62)
    assert next_unit.fit_of(PUMP, 50, low).fits is False
    assert any("clear height 62 in" in words for words in next_unit.fit_of(PUMP, 50, low).words)
    assert next_unit.fit_of(ELECTRIC, 50, Position(clear_height_in=90)).fits is None


def test_energy_follows_the_factor_entered_the_homes_and_the_price(in_house: Cast) -> None:
    heater = Heater(kind=ELECTRIC, capacity_gal=50, energy_factor=0.92, homes_served=1, setpoint_f=125)
    prices = costing.price_list(ensure_cost_book(in_house.house, date(2026, 3, 1)))
    found = next_unit.energy_of(heater, ELECTRIC, prices)
    assert found is not None
    # By hand: 42 gal x 8.293752 x 1.000743 x 67 F x 365 / 0.92 / 3412.14 = 2,715.7 kWh.
    kwh = 42 * 8.293752 * 1.000743 * 67 * 365 / 0.92 / 3412.14
    assert found.amount == f"{kwh:,.0f} kWh"
    assert abs(found.money - Decimal("0.17") * Decimal(str(kwh))) < Decimal("0.02")
    assert found.uef_from == "entered for this heater"
    pump = next_unit.energy_of(heater, PUMP, prices)
    assert pump is not None
    assert pump.money < found.money / 3
    assert "assumed" in pump.uef_from
    assert next_unit.energy_of(Heater(kind="boiler_with_tank"), "boiler_with_tank", prices) is None


def test_federal_rules_are_shown_with_citation_status_and_day_and_never_as_a_verdict() -> None:
    assert {rule.key for rule in rules_touching(ELECTRIC, 50, date(2030, 1, 1))} == {
        "residential_2015",
        "residential_2029",
    }
    assert [rule.key for rule in rules_touching(ELECTRIC, 30, date(2030, 1, 1))] == ["residential_2015"]
    assert not rules_touching(ELECTRIC, 50, date(2010, 1, 1))
    for rule in efficiency_rules():
        assert rule.citation and rule.status
        assert rule.checked_on >= date(2026, 1, 1)
        assert "Check it again" in rule.words
        assert str(rule.checked_on) in rule.words


def test_pages_take_a_rule_and_show_the_choices_at_a_heater(cast: Cast) -> None:
    client = cast.client(cast.planner)
    address = reverse("planning:successors")
    wrong = client.post(address, {"from_kind": ELECTRIC, "to_kind": PUMP, "starts_on": "soon"})
    assert wrong.status_code == 422
    assert "is not a day" in wrong.content.decode()
    posted = {
        "from_kind": "gas_storage_atmospheric",
        "to_kind": PUMP,
        "starts_on": "2026-01-01",
        "property": "",
    }
    assert client.post(address, posted).status_code == 302
    text = client.get(address).content.decode()
    assert "everywhere" in text
    assert "nullified" in text
    shown = client.get(reverse("planning:heater_successor", args=[cast.heater.pk])).content.decode()
    for words in (
        "like for like",
        "goes in by today",
        "Heat pump",
        "Energy: about",
        "not on record",
        "Condensate drain",
    ):
        assert words in shown
    outsider = cast.client(cast.outsider)
    assert outsider.get(reverse("planning:heater_successor", args=[cast.heater.pk])).status_code == 404
    assert cast.client(cast.technician).post(address, posted).status_code == 403
    from fleet.estate.scope import unscoped

    with unscoped("the test looks at all rules"):
        rule = SuccessorRule.objects.get()
    assert outsider.post(reverse("planning:remove_successor_rule", args=[rule.pk])).status_code == 404
    assert client.post(reverse("planning:remove_successor_rule", args=[rule.pk])).status_code == 302
    assert "None: everything" in client.get(address).content.decode()


def test_a_rule_of_one_property_is_its_own(in_house: Cast) -> None:
    other = Property.objects.create(organisation=in_house.house, name="Other")
    save_successor_rule(in_house.house, ELECTRIC, PUMP, date(2026, 1, 1), other.pk)
    rules = costing.rules_of(in_house.house.pk)
    assert going_in(rules, ELECTRIC, other.pk, date(2027, 1, 1)) == PUMP
    assert going_in(rules, ELECTRIC, in_house.property.pk, date(2027, 1, 1)) == ELECTRIC
