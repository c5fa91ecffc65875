"""Looking back at a plan's year: done, failed first, still standing; foreseen or not; money; kept for ever."""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.urls import reverse

from fleet.estate.models import Organisation
from fleet.heaters.models import Heater
from fleet.planning import reviews
from fleet.planning.capital import make_capital_plan
from fleet.planning.capital_rows import CapitalLine, CapitalPlan
from fleet.planning.models import HeaterOutlook, PlanReview
from fleet.planning.reviews import ReviewRefused, look_back
from fleet.planning.services import open_run, run_forecast
from tests.conftest import Cast

pytestmark = pytest.mark.django_db
START = date(2025, 1, 1)


@pytest.fixture
def plan(estate: Organisation) -> CapitalPlan:
    """A plan as of the first day of 2025; since then the world went on, to November 2026."""
    Organisation.objects.filter(pk=estate.pk).update(calendar_stands_at=date(2026, 11, 1))
    run = run_forecast(open_run(Organisation.objects.get(pk=estate.pk), START, 4, 120, 5))
    return make_capital_plan(estate, run, cap=Decimal("20000"), visit_cost=Decimal("250"))


def first_year(plan: CapitalPlan) -> list[CapitalLine]:
    rows = CapitalLine.objects.filter(plan=plan, period=0).select_related("heater").order_by("pk")
    return [row for row in rows if row.heater.in_service]


def end(heater: Heater, ending: str, day: date) -> None:
    Heater.objects.filter(pk=heater.pk).update(
        ending=ending, removed_earliest=day, removed_latest=day, removed_precision="day"
    )


def totals_of(plan: CapitalPlan, **wanted: Any) -> dict[str, Any]:
    plan = CapitalPlan.objects.select_related("run", "organisation").get(pk=plan.pk)
    return reviews.totals(look_back(plan, 0, **wanted))


def test_what_was_done_what_failed_first_and_what_still_stands(plan: CapitalPlan) -> None:
    before = totals_of(plan)
    lines = first_year(plan)
    assert len(lines) >= 3
    end(lines[0].heater, "replaced_as_planned", date(2025, 6, 1))
    end(lines[1].heater, "tank_leak", date(2025, 7, 1))
    after = totals_of(plan)
    assert after["planned"] == before["planned"]
    assert after["done"] == before["done"] + 1
    assert after["failed_first"] == before["failed_first"] + 1
    assert after["failures"] == before["failures"] + 1
    assert after["foreseen"] == before["foreseen"] + 1
    assert after["not_done"] == before["not_done"] - 2
    prices = {row.heater_id: row for row in HeaterOutlook.objects.filter(run=plan.run)}
    done, failed = prices[lines[0].heater_id], prices[lines[1].heater_id]
    assert after["at_plan_prices"] - before["at_plan_prices"] == done.planned_cost + failed.emergency_cost
    assert after["hindsight"] - before["hindsight"] == failed.emergency_cost - failed.planned_cost
    assert after["avoided"] - before["avoided"] == lines[0].risk_avoided
    assert 0 < after["given_away"] - before["given_away"] < done.planned_cost


def test_a_failure_that_nobody_saw_coming_is_said_so_and_one_of_another_year_is_not_counted(
    plan: CapitalPlan,
) -> None:
    before = totals_of(plan)
    calm = HeaterOutlook.objects.filter(run=plan.run, heater__ending="").order_by("-rank")
    quiet = [row for row in calm if not CapitalLine.objects.filter(plan=plan, heater=row.heater, period=0)]
    end(quiet[0].heater, "tank_leak", date(2025, 9, 9))
    end(quiet[1].heater, "tank_leak", date(2026, 2, 2))
    after = totals_of(plan)
    assert after["not_foreseen"] == before["not_foreseen"] + 1
    assert after["failures"] == before["failures"] + 1
    review = PlanReview.objects.order_by("-pk")[0]
    mine = [row for row in review.content["failures"] if row["heater"] == quiet[0].heater.tag]
    assert mine[0]["foreseen"] is False


def test_the_money_set_aside_is_the_plans_and_rows_sum_to_the_cent(plan: CapitalPlan) -> None:
    review = look_back(CapitalPlan.objects.select_related("run", "organisation").get(pk=plan.pk), 0)
    assert reviews.totals(review)["set_aside"] == Decimal(plan.result["years"][0]["set_aside"])
    assert review.label == plan.result["years"][0]["label"]
    assert reviews.totals(review)["expected"] > 0


def test_bills_stand_beside_the_plans_prices(plan: CapitalPlan) -> None:
    numbers = set(Heater.objects.values_list("position__building__property_id", flat=True))
    found = totals_of(plan, bills={number: Decimal("1000.10") for number in numbers})
    assert found["bill"] == Decimal("1000.10") * len(numbers)
    some = totals_of(plan, bills={next(iter(numbers)): Decimal(5)})
    assert some["bill"] is None


def test_a_year_that_is_not_over_and_a_bill_below_zero_are_refused(plan: CapitalPlan) -> None:
    plan = CapitalPlan.objects.select_related("run", "organisation").get(pk=plan.pk)
    with pytest.raises(ReviewRefused, match=r"not over; these are: FY 2025"):
        look_back(plan, 3)
    with pytest.raises(ReviewRefused, match="cannot be"):
        look_back(plan, 0, {1: Decimal(-1)})
    Organisation.objects.filter(pk=plan.organisation_id).update(calendar_stands_at=date(2025, 2, 1))
    with pytest.raises(ReviewRefused, match="No fiscal year of this plan is over yet"):
        look_back(CapitalPlan.objects.select_related("run", "organisation").get(pk=plan.pk))
    assert not PlanReview.objects.exists()


def test_it_is_kept_when_the_record_and_the_plan_are_gone(plan: CapitalPlan) -> None:
    review = look_back(CapitalPlan.objects.select_related("run", "organisation").get(pk=plan.pk), 0)
    kept = review.content
    end(first_year(plan)[0].heater, "tank_leak", date(2025, 7, 1))
    plan.delete()
    again = PlanReview.objects.get(pk=review.pk)
    assert again.content == kept
    assert again.plan is None


def test_pages_and_command(cast: Cast, plan: CapitalPlan, capsys: pytest.CaptureFixture[str]) -> None:
    client = cast.client(cast.planner)
    page = client.get(reverse("planning:reviews")).content.decode()
    assert f'value="{plan.pk}:0"' in page
    answer = client.post(reverse("planning:reviews"), {"year": f"{plan.pk}:0", "bills": "Invented 0 = 77.50"})
    assert answer.status_code == 302
    shown = client.get(answer["Location"]).content.decode()
    assert "77.50" in shown
    assert "Not foreseen" in shown
    assert not re.search(r">[^<]*\d{4}-\d\d-\d\d", shown)  # days stand as the reader writes them
    bad = client.post(
        reverse("planning:reviews"), {"year": f"{plan.pk}:0", "bills": "Nowhere = 3"}, follow=True
    )
    assert "no property of that name" in bad.content.decode()
    assert "Nowhere = 3</textarea>" in bad.content.decode()
    assert cast.client(cast.outsider).get(answer["Location"]).status_code == 404
    assert cast.client(cast.technician).post(reverse("planning:reviews"), {}).status_code == 403
    call_command("look_back", organisation=cast.house.name)
    assert "look back at FY" in capsys.readouterr().out
    with pytest.raises(CommandError, match="--as-of"):
        call_command("look_back", "--as-of", "soon", organisation=cast.house.name)
