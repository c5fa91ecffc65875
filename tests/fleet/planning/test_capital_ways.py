"""The ways side by side on the same draws, caps of single properties, and the reserve fund of a plan."""

from __future__ import annotations

from decimal import Decimal
from itertools import combinations
from typing import Any

import pytest
from django.core.management import call_command
from django.urls import reverse

from fleet.estate.models import Organisation, Property
from fleet.heaters.models import Heater
from fleet.planning import capital_words
from fleet.planning.capital import CapitalRefused, caps_by_name, make_capital_plan, open_capital_plan
from fleet.planning.capital_rows import CapitalPlan
from fleet.planning.models import ForecastRun
from tests.conftest import Cast

pytestmark = pytest.mark.django_db


@pytest.fixture
def plan(estate: Organisation, done_run: ForecastRun) -> CapitalPlan:
    return make_capital_plan(estate, done_run, cap=Decimal("20000"), visit_cost=Decimal("250"))


def ways_of(plan: CapitalPlan) -> dict[str, dict[str, Any]]:
    return {row["name"]: row for row in capital_words.scenarios(plan)}


def test_every_way_is_there_with_cost_spread_emergencies_and_homes(plan: CapitalPlan) -> None:
    ways = ways_of(plan)
    assert list(ways) == ["capped", "run_to_failure", "by_age", "more_care", "softening", "defer"]
    for row in ways.values():
        assert row["cost_p10"] <= row["cost"] <= row["cost_p90"]
        assert row["spread"] == row["cost_p90"] - row["cost_p10"]
        assert abs(sum(Decimal(year) for year in row["years"]) - row["cost"]) < Decimal("0.10")
        assert row["homes"] > 0
    assert ways["run_to_failure"]["planned"] == 0
    assert ways["capped"]["emergencies"] < ways["run_to_failure"]["emergencies"]
    assert ways["defer"]["emergencies"] >= ways["capped"]["emergencies"]


def test_homes_are_emergencies_times_the_homes_a_heater_serves(
    estate: Organisation, done_run: ForecastRun
) -> None:
    Heater.objects.update(homes_served=5)
    plan = make_capital_plan(estate, done_run, cap=Decimal("20000"))
    for row in ways_of(plan).values():
        assert row["homes"] == pytest.approx(5 * row["emergencies"], abs=0.5)


def test_more_care_and_soft_water_are_paid_for_and_only_there(plan: CapitalPlan) -> None:
    ways = ways_of(plan)
    assert ways["more_care"]["care"] > 0
    buildings = 6
    # Put in once and kept for the years of the plan, at the shipped prices that grow by 3 % a year.
    assert ways["softening"]["care"] > buildings * 6500
    assert ways["more_care"]["emergencies"] <= ways["run_to_failure"]["emergencies"]
    assert all(ways[name]["care"] == 0 for name in ("capped", "run_to_failure", "by_age", "defer"))


def test_a_pair_is_the_difference_of_its_two_ways_in_either_order(plan: CapitalPlan) -> None:
    ways = ways_of(plan)
    for first, second in combinations(ways, 2):
        one, other = capital_words.compared(plan, first, second), capital_words.compared(plan, second, first)
        assert one is not None and other is not None
        assert abs(one["difference"] - (ways[first]["cost"] - ways[second]["cost"])) <= Decimal("0.02")
        assert other["difference"] == -one["difference"]
        assert other["difference_p10"] == -one["difference_p90"]
        assert one["difference_p10"] <= one["difference_p90"]
    assert capital_words.compared(plan, "capped", "capped") is None


def test_a_cap_of_one_property_binds_it_alone(estate: Organisation, done_run: ForecastRun) -> None:
    dear = Property.objects.order_by("name").first()
    free = make_capital_plan(estate, done_run, cap=Decimal("60000"))
    bound = make_capital_plan(
        estate, done_run, cap=Decimal("60000"), property_caps=caps_by_name([f"{dear.name} = 3,000", ""])
    )
    rows = {row[0]: row[2:-1] for row in capital_words.property_rows(bound)}
    assert max(rows.get(dear.name, [Decimal(0)])) <= 3000
    before = {row[0]: row[-1] for row in capital_words.property_rows(free)}
    assert before[dear.name] > sum(rows.get(dear.name, [Decimal(0)]))
    must = list(
        Heater.objects.filter(ending="", position__building__property=dear).values_list("pk", flat=True)
    )
    with pytest.raises(CapitalRefused, match=rf"the cap of {dear.name} gives [\d,.]+ up to then"):
        make_capital_plan(
            estate, done_run, cap=Decimal("600000"), property_caps={dear.pk: Decimal(500)}, must=must
        )


def test_the_sums_by_property_add_up_to_the_years(plan: CapitalPlan) -> None:
    rows = capital_words.property_rows(plan)
    for at, year in enumerate(plan.result["years"]):
        assert sum(row[2 + at] for row in rows) == Decimal(year["set_aside"])
    assert sum(row[-1] for row in rows) == Decimal(plan.result["planned_total"])


def test_her_own_contribution_other_draws_and_interest_move_the_fund(
    estate: Organisation, done_run: ForecastRun
) -> None:
    def reserve(**wanted: Any) -> dict[str, Any]:
        made = make_capital_plan(estate, done_run, cap=Decimal("20000"), **wanted)
        found: dict[str, Any] = made.result["reserve"]
        return found

    needed = reserve()
    assert needed["shortfall_chance"] <= 0.1
    assert not needed["contribution_entered"]
    little = reserve(contribution=Decimal(100))
    assert little["contribution"] == "100.00"
    assert little["shortfall_chance"] > 0.5
    assert Decimal(little["shortfall_mean"]) > 0
    drawn = reserve(other_draws=Decimal(5000))
    assert Decimal(drawn["needed"]) > Decimal(needed["needed"])
    rich = reserve(interest=Decimal("0.2"), opening_balance=Decimal(20000))
    poor = reserve(interest=Decimal("0"), opening_balance=Decimal(20000))
    assert Decimal(rich["needed"]) < Decimal(poor["needed"])


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        ({"property_caps": {987654: Decimal(1)}}, "no property 987654"),
        ({"contribution": Decimal(-3)}, "yearly contribution is -3"),
        ({"other_draws": Decimal("NaN")}, "other draws is NaN"),
        ({"compare_age_years": 0}, "age 0 cannot be"),
        ({"interest": Decimal("9")}, "Interest of 9"),
    ],
)
def test_wishes_that_cannot_be_are_refused(
    estate: Organisation, done_run: ForecastRun, wanted: dict[str, Any], words: str
) -> None:
    with pytest.raises(CapitalRefused, match=words):
        open_capital_plan(estate, done_run, cap=Decimal(1), **wanted)
    assert not CapitalPlan.objects.exists()
    with pytest.raises(CapitalRefused, match="'Nowhere = 3': no property of that name"):
        caps_by_name(["Nowhere = 3"])


def test_two_ways_on_a_page_with_pictures(cast: Cast, plan: CapitalPlan) -> None:
    client = cast.client(cast.planner)
    address = reverse("planning:capital_compare", args=[plan.pk])
    text = client.get(address, {"first": "defer", "second": "capped"}).content.decode()
    pair = capital_words.compared(plan, "defer", "capped")
    assert pair is not None
    assert f"{abs(pair['difference']):,.2f}" in text
    assert "This plan, one year later" in text
    assert client.get(address, {"first": "moat"}).status_code == 404
    for what, query in (("plan", {}), ("ways", {}), ("years", {"first": "defer", "second": "capped"})):
        answer = client.get(reverse("planning:capital_picture", args=[plan.pk, what]), query)
        assert answer["Content-Type"] == "image/svg+xml"
        assert b"<svg" in answer.content
    assert client.get(reverse("planning:capital_picture", args=[plan.pk, "moat"])).status_code == 404
    assert cast.client(cast.outsider).get(address).status_code == 404


def test_the_command_takes_caps_of_properties_and_the_fund(
    estate: Organisation, done_run: ForecastRun, capsys: pytest.CaptureFixture[str]
) -> None:
    name = Property.objects.order_by("name").first().name
    call_command(
        "capital_plan", "--cap", "15000", "--property-cap", f"{name}=4000", "--contribution", "9000",
        "--interest", "1.5", "--age", "10", "--compare", organisation=estate.name,
    )  # fmt: skip
    text = capsys.readouterr().out
    assert "Replace at age 10" in text
    assert "softened water" in text
    assert "9,000.00 a year (entered)" in text
