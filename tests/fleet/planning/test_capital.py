"""A capital plan made from a stored forecast: lists, caps, comparison, refusals, command, pages and files."""

from __future__ import annotations

import csv
import io
from decimal import Decimal
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.urls import reverse
from openpyxl import load_workbook

from fleet.estate.background import work_off
from fleet.estate.models import Building, Organisation
from fleet.heaters.models import Heater
from fleet.planning import capital_words, report_content
from fleet.planning.capital import (
    CapitalRefused,
    heaters_by_tag,
    make_capital_plan,
    open_capital_plan,
    request_capital_plan,
)
from fleet.planning.capital_printed import printed
from fleet.planning.capital_rows import CapitalLine, CapitalPlan
from fleet.planning.models import ForecastRun
from fleet.planning.services import open_run, run_forecast
from tests.conftest import Cast
from tests.fleet.planning.estates import AS_OF

pytestmark = pytest.mark.django_db
CAP = Decimal("15000")


def made(estate: Organisation, run: ForecastRun, **wanted: Any) -> CapitalPlan:
    return make_capital_plan(estate, run, **({"cap": CAP, "visit_cost": Decimal("250")} | wanted))


def test_every_heater_has_a_line_and_the_years_keep_to_the_cap_and_sum_to_the_cent(
    estate: Organisation, done_run: ForecastRun
) -> None:
    plan = made(estate, done_run, crew=5)
    assert plan.state == CapitalPlan.State.DONE
    lines = list(CapitalLine.objects.filter(plan=plan))
    assert len(lines) == Heater.objects.filter(ending="").count() == plan.result["heaters"]
    assert plan.result["heaters_planned"] > 0
    for at, year in enumerate(plan.result["years"]):
        own = [line for line in lines if line.period == at]
        assert year["heaters"] == len(own) <= 5
        assert Decimal(year["set_aside"]) == sum(line.set_aside for line in own) - Decimal(
            year["shared_visits"]
        )
        assert Decimal(year["set_aside"]) <= Decimal(year["cap"]) <= CAP
        assert Decimal(year["left"]) == Decimal(year["cap"]) - Decimal(year["set_aside"])
    total = sum(Decimal(year["set_aside"]) for year in plan.result["years"])
    assert Decimal(plan.result["planned_total"]) == total
    assert all(line.set_aside == 0 and line.saving == 0 for line in lines if line.period < 0)


def test_what_the_plan_is_said_to_save_is_the_sum_of_what_its_heaters_save(
    estate: Organisation, done_run: ForecastRun
) -> None:
    """What waits for after these years is no saving of the heaters planned: it is told apart, on page, print and report."""
    plan = made(estate, done_run, crew=5)
    saved = sum(line.saving for line in CapitalLine.objects.filter(plan=plan, period__gte=0))
    assert Decimal(plan.result["planned_saving"]) == saved
    assert saved < Decimal(plan.result["saving"])
    words = f"the heaters planned save {capital_words.currency_of(plan)} {saved:,.2f} in the long run"
    assert words in capital_words.saving_words(plan)
    assert any(words in line for line in printed(plan, compare=False))
    assert words in str(report_content.content_of(plan, plan.run.as_of))


def test_homes_that_are_assumed_are_counted_of_heaters_in_service_only(estate: Organisation) -> None:
    Heater.objects.update(homes_served=None)
    Building.objects.update(units_served=None)
    assert Heater.objects.exclude(ending="").exists()
    run = run_forecast(open_run(estate, AS_OF, horizon_years=2, draws=60, seed=5))
    assert made(estate, run).result["homes_assumed"] == Heater.objects.filter(ending="").count()


def test_the_plan_beats_the_plain_ways_in_the_long_run_on_the_same_draws(
    estate: Organisation, done_run: ForecastRun
) -> None:
    plan = made(estate, done_run, cap=Decimal("500000"))
    ways = {row["name"]: row for row in plan.result["scenarios"]}
    saving = {name: Decimal(row["long_run_saving"] or 0) for name, row in ways.items()}
    assert saving["run_to_failure"] == 0
    assert saving["capped"] > 0
    assert saving["capped"] >= saving["by_age"] - Decimal(plan.result["gap"])
    assert ways["capped"]["emergencies"] < ways["run_to_failure"]["emergencies"]
    assert ways["run_to_failure"]["difference"] == "0.00"
    again = made(estate, done_run, cap=Decimal("500000"))
    assert again.result == plan.result


def test_run_to_failure_in_the_comparison_is_the_forecast_itself(
    estate: Organisation, done_run: ForecastRun
) -> None:
    plan = made(estate, done_run)
    ways = {row["name"]: row for row in plan.result["scenarios"]}
    forecast = done_run.result["groups"]["total"][0]["years"][-1]["cost_so_far"]["expected"]
    assert float(ways["run_to_failure"]["cost"]) == pytest.approx(float(forecast), rel=0.15)


def test_more_money_in_the_fund_lowers_the_contribution_and_the_chance_of_an_assessment(
    estate: Organisation, done_run: ForecastRun
) -> None:
    poor, rich = (made(estate, done_run, opening_balance=Decimal(money)) for money in ("0", "1000000"))
    assert Decimal(poor.result["scenarios"][0]["contribution"]) > 0
    assert Decimal(rich.result["scenarios"][0]["contribution"]) == 0
    assert 0 < poor.result["reserve"]["assessment_chance"] <= 1
    assert Decimal(poor.result["reserve"]["assessment_mean"]) > 0
    assert rich.result["reserve"]["assessment_chance"] == 0
    full = Decimal(rich.result["reserve"]["fully_funded"])
    assert rich.result["reserve"]["percent_funded"] == pytest.approx(float(100_000_000 / full), abs=0.1)


def test_must_and_must_not_are_kept(estate: Organisation, done_run: ForecastRun) -> None:
    young = Heater.objects.filter(ending="").order_by("-installed_earliest")[0]
    free = made(estate, done_run)
    first = CapitalLine.objects.filter(plan=free, period__gte=0).order_by("-saving")[0].heater
    bound = made(estate, done_run, must=heaters_by_tag([young.tag]), must_not=[first.pk])
    assert CapitalLine.objects.get(plan=bound, heater=young).period >= 0
    assert CapitalLine.objects.get(plan=bound, heater=first).period == -1


def test_a_cap_below_the_must_list_is_told_with_its_figures_and_nothing_is_half_saved(
    estate: Organisation, done_run: ForecastRun
) -> None:
    must = list(Heater.objects.filter(ending="").values_list("pk", flat=True)[:12])
    with pytest.raises(CapitalRefused, match=r"12 heaters that must be done by FY \d+ cost at least [\d,.]+"):
        made(estate, done_run, cap=Decimal("100"), must=must)
    plan = CapitalPlan.objects.get()
    assert plan.state == CapitalPlan.State.FAILED
    assert "too little" in plan.error
    assert plan.result is None
    assert not CapitalLine.objects.exists()


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        ({"cap": Decimal("-1")}, "yearly cap is -1"),
        ({"horizon_years": 0}, "plan over 0 years"),
        ({"crew": -2}, "does -2 heaters"),
        ({"shortfall_limit": Decimal("1.5")}, "limit of 1.5"),
        ({"visit_cost": Decimal("NaN")}, "one visit is NaN"),
    ],
)
def test_wishes_that_cannot_be_are_refused_before_anything_is_written(
    estate: Organisation, done_run: ForecastRun, wanted: dict[str, Any], words: str
) -> None:
    with pytest.raises(CapitalRefused, match=words):
        open_capital_plan(estate, done_run, **({"cap": CAP} | wanted))
    assert not CapitalPlan.objects.exists()


def test_unknown_tags_are_named(estate: Organisation) -> None:
    with pytest.raises(CapitalRefused, match="'nowhere'"):
        heaters_by_tag(["nowhere"])


def test_the_command_prints_the_plan_and_the_comparison(
    estate: Organisation, done_run: ForecastRun, capsys: pytest.CaptureFixture[str]
) -> None:
    call_command("capital_plan", "--cap", "15,000", "--compare", organisation=estate.name)
    text = capsys.readouterr().out
    plan = CapitalPlan.objects.get()
    line = CapitalLine.objects.filter(plan=plan, period__gte=0).select_related("heater")[0]
    assert line.heater.tag in text
    assert f"{line.set_aside:,.2f}" in text
    assert "Run to failure" in text
    assert "Replace at age 12" in text
    assert "Contribution a year" in text
    with pytest.raises(CommandError, match="not an amount"):
        call_command("capital_plan", "--cap", "lots", organisation=estate.name)


def test_the_page_takes_a_cap_and_shows_the_plan_once_it_is_made(cast: Cast, done_run: ForecastRun) -> None:
    client = cast.client(cast.planner)
    address = reverse("planning:capital")
    assert client.get(address).status_code == 200
    answer = client.post(address, {"cap": "15,000", "visit_cost": "250", "shortfall_limit": "10"})
    assert answer.status_code == 302
    assert b"<progress" in client.get(answer["Location"]).content
    work_off()
    plan = CapitalPlan.objects.get()
    assert plan.state == CapitalPlan.State.DONE, plan.error
    text = client.get(answer["Location"]).content.decode()
    assert "style=" not in text
    for year in plan.result["years"]:
        assert f"{Decimal(year['set_aside']):,.2f}" in text
    line = CapitalLine.objects.filter(plan=plan, period__gte=0)[0]
    assert line.heater.tag in text


def test_wrong_input_on_the_page_is_told_beside_the_form(cast: Cast, done_run: ForecastRun) -> None:
    client = cast.client(cast.planner)
    for typed, words in (
        ({"cap": "lots"}, "&#x27;lots&#x27; is not a number"),
        ({"cap": "-5"}, "yearly cap is -5"),
        ({"cap": "10", "years": "x"}, "not a whole number"),
        ({"cap": "10", "must": "nobody"}, "nobody"),
    ):
        answer = client.post(reverse("planning:capital"), typed)
        assert answer.status_code == 422
        assert words in answer.content.decode()
    assert not CapitalPlan.objects.exists()


def test_who_may_ask_and_who_may_see(cast: Cast, estate: Organisation, done_run: ForecastRun) -> None:
    plan = made(estate, done_run)
    shown = reverse("planning:capital_plan", args=[plan.pk])
    assert cast.client(cast.technician).post(reverse("planning:capital"), {"cap": "1"}).status_code == 403
    assert cast.client(cast.technician).get(shown).status_code == 200
    assert cast.client(cast.outsider).get(shown).status_code == 404
    file = reverse("planning:capital_file", args=[plan.pk, "csv"])
    assert cast.client(cast.outsider).get(file).status_code == 404


def test_a_plan_that_waits_is_called_off_on_its_page(
    cast: Cast, estate: Organisation, done_run: ForecastRun
) -> None:
    plan = request_capital_plan(estate, done_run, cap=Decimal(1000))
    address = reverse("planning:cancel_capital", args=[plan.pk])
    assert cast.client(cast.technician).post(address).status_code == 403
    client = cast.client(cast.planner)
    assert address in client.get(reverse("planning:capital_plan", args=[plan.pk])).content.decode()
    assert client.post(address, follow=True).status_code == 200
    assert work_off() == 0
    plan.refresh_from_db()
    assert (plan.state, plan.result) == (CapitalPlan.State.CANCELLED, None)


def test_files_hold_the_same_figures_and_neutral_cells(
    cast: Cast, estate: Organisation, done_run: ForecastRun
) -> None:
    target = Heater.objects.filter(ending="")[0]
    Heater.objects.filter(pk=target.pk).update(tag="=1+1")
    plan = made(estate, done_run, must=[target.pk])
    client = cast.client(cast.planner)
    text = client.get(reverse("planning:capital_file", args=[plan.pk, "csv"])).content.decode()
    rows = list(csv.DictReader(io.StringIO(text)))
    assert "'=1+1" in {row["heater"] for row in rows}
    total = sum(Decimal(row["set_aside"]) for row in rows)
    shared = sum(Decimal(year["shared_visits"]) for year in plan.result["years"])
    assert total - shared == Decimal(plan.result["planned_total"])
    content = client.get(reverse("planning:capital_file", args=[plan.pk, "xlsx"])).content
    book = load_workbook(io.BytesIO(content))
    assert book.sheetnames == ["years", "heaters", "properties", "compared", "how sure"]
    amounts = [row[5] for row in book["years"].iter_rows(min_row=2, values_only=True)]
    assert sum(Decimal(str(amount)) for amount in amounts) == Decimal(plan.result["planned_total"])
    assert any(row[1] == "'=1+1" for row in book["heaters"].iter_rows(values_only=True))
    assert client.get(reverse("planning:capital_file", args=[plan.pk, "exe"])).status_code == 404
