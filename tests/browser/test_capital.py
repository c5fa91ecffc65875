"""The plan under a cap in a browser, by keyboard: change the cap, see it change, compare two ways, open both files."""

from __future__ import annotations

import csv
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook
from pypdf import PdfReader

from fleet.estate.background import work_off
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.planning.capital_rows import CapitalPlan
from fleet.planning.report_rows import PlanReport
from fleet.planning.services import open_run, run_forecast
from tests.browser.conftest import PHONE, accessibility_problems, sideways_overflow
from tests.conftest import Cast
from tests.fleet.planning.estates import AS_OF, grow_estate

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def with_forecast(transactional_db: None, cast: Cast) -> Cast:
    with scoped(scope_of_organisation(cast.house, actor="test")):
        grow_estate(cast.house, positions=36)
        run_forecast(open_run(cast.house, AS_OF, horizon_years=4, draws=120, seed=5))
    return cast


def press_tab_to(page: Any, name: str) -> None:
    """Go on by the Tab key alone until the field or button of that id or name has the focus."""
    for _ in range(120):
        page.keyboard.press("Tab")
        here = page.evaluate("[document.activeElement.id, document.activeElement.textContent.trim()]")
        if name in here:
            return
    raise AssertionError(f"{name} cannot be reached by keyboard")


def ask_with_cap(page: Any, address: str, cap: str) -> CapitalPlan:
    """Type a cap and send the form without a mouse; then let the work be done and look again."""
    page.goto(address)
    press_tab_to(page, "cap")
    page.keyboard.press("Control+A")
    page.keyboard.type(cap)
    press_tab_to(page, "Make the plan")
    page.keyboard.press("Enter")
    page.wait_for_selector("progress")
    assert page.get_by_role("progressbar", name="Progress of the plan").is_visible()
    work_off()
    page.wait_for_selector("text=Year by year")
    with unscoped("the test looks at the plan made"):
        made: CapitalPlan = CapitalPlan.objects.order_by("-pk")[0]
    return made


def test_change_the_cap_compare_two_ways_and_open_both_files(
    with_forecast: Cast, signed_in: Any, live_server: Any, tmp_path: Path
) -> None:
    page = signed_in(with_forecast.planner)
    address = f"{live_server.url}/plan/capital/"
    little = ask_with_cap(page, address, "8000")
    small = page.inner_text("main")
    much = ask_with_cap(page, address, "25000")
    large = page.inner_text("main")
    assert little.result["heaters_planned"] < much.result["heaters_planned"]
    assert f"{little.result['heaters_planned']} of {little.result['heaters']} heaters are planned" in small
    assert f"{much.result['heaters_planned']} of {much.result['heaters']} heaters are planned" in large
    assert accessibility_problems(page) == []

    press_tab_to(page, "Compare two ways")
    page.keyboard.press("Enter")
    page.wait_for_selector("#first")
    page.get_by_label("First way").select_option("defer")
    page.get_by_label("Second way").select_option("run_to_failure")
    page.get_by_role("button", name="Compare").press("Enter")
    page.wait_for_url("**first=defer**")
    assert "This plan, one year later costs" in page.inner_text("main")
    assert page.get_by_role("img").first.is_visible()
    assert accessibility_problems(page) == []
    page.set_viewport_size(PHONE)
    assert sideways_overflow(page) == 0
    page.goto(f"{address}{much.pk}/")
    assert sideways_overflow(page) == 0
    page.set_viewport_size({"width": 690, "height": 900})  # a sheet without its margins
    page.emulate_media(media="print")
    assert sideways_overflow(page) == 0, "on paper nothing is cut off"
    page.emulate_media(media="screen")

    total = Decimal(much.result["planned_total"])
    with page.expect_download() as download:
        page.get_by_role("link", name="Download XLSX").click()
    download.value.save_as(tmp_path / "plan.xlsx")
    years = list(load_workbook(tmp_path / "plan.xlsx")["years"].iter_rows(min_row=2, values_only=True))
    assert sum(Decimal(str(row[5])) for row in years) == total
    with page.expect_download() as download:
        page.get_by_role("link", name="Download CSV").click()
    with download.value.path().open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    shared = sum(Decimal(year["shared_visits"]) for year in much.result["years"])
    assert sum(Decimal(row["set_aside"]) for row in rows) - shared == total


def test_the_report_is_made_downloaded_and_shared(
    with_forecast: Cast, signed_in: Any, live_server: Any, tmp_path: Path
) -> None:
    page = signed_in(with_forecast.planner)
    made = ask_with_cap(page, f"{live_server.url}/plan/capital/", "20000")
    page.get_by_role("button", name="Make the report (PDF and XLSX)").press("Enter")
    page.wait_for_selector("progress")
    work_off()
    page.wait_for_selector("text=Download PDF")
    with page.expect_download() as download:
        page.get_by_role("link", name="Download PDF").click()
    download.value.save_as(tmp_path / "report.pdf")
    text = "\n".join(sheet.extract_text() for sheet in PdfReader(tmp_path / "report.pdf").pages)
    assert f"{Decimal(made.result['planned_total']):,.2f}" in text
    with page.expect_download() as download:
        page.get_by_role("link", name="Download XLSX").click()
    download.value.save_as(tmp_path / "report.xlsx")
    assert "first page" in load_workbook(tmp_path / "report.xlsx").sheetnames
    page.get_by_label("For whom").fill("the board")
    page.get_by_role("button", name="Make a link").click()
    link = page.inner_text(".messages").rpartition(": ")[2].strip()
    assert accessibility_problems(page) == []
    page.context.clear_cookies()
    page.goto(link)
    assert "What if we do nothing" in page.inner_text("main")
    assert accessibility_problems(page) == []
    page.set_viewport_size(PHONE)
    assert sideways_overflow(page) == 0
    with unscoped("the test looks at the report made"):
        assert PlanReport.objects.get().plan_id == made.pk


def test_cost_book_successors_and_looking_back_are_accessible_and_fit_a_phone(
    with_forecast: Cast, signed_in: Any, live_server: Any
) -> None:
    page = signed_in(with_forecast.planner)
    for path in (
        "plan/cost-book/",
        "plan/cost-book/import/",
        "plan/successors/",
        f"plan/heaters/{with_forecast.heater.pk}/next/",
        "plan/back/",
        "plan/capital/",
    ):
        page.goto(f"{live_server.url}/{path}")
        assert accessibility_problems(page) == []
        page.set_viewport_size(PHONE)
        assert sideways_overflow(page) == 0, path
        page.set_viewport_size({"width": 1280, "height": 800})
