"""The whole way in a browser: the office's own spreadsheet, preview, accept, forecast, plan, queue."""

from __future__ import annotations

import re
from typing import Any

import pytest

from fleet.estate.background import work_off
from fleet.estate.models import Membership, Organisation, Person
from fleet.planning.demo import CALENDAR_STANDS_AT, FOLDER

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def planner(transactional_db: None) -> Person:
    house = Organisation.objects.create(
        name="Marrowfen Homes (invented)", invented=True, calendar_stands_at=CALENDAR_STANDS_AT
    )
    person = Person.objects.create_user("planner@almanac.example", "water-heater-9", name="Planner")
    Membership.objects.create(organisation=house, person=person, role="planner")
    return person


def test_from_a_messy_spreadsheet_to_a_plan_and_a_queue(
    planner: Person, browser_page: Any, live_server: Any
) -> None:
    page = browser_page
    page.goto(live_server.url)
    page.get_by_label("E-mail").fill(planner.email)
    page.get_by_label("Password").fill("water-heater-9")
    page.get_by_role("button", name="Sign in").click()

    page.goto(f"{live_server.url}/import/")
    page.get_by_label("CSV, XLSX or ODS").set_input_files(FOLDER / "heaters.xlsx")
    page.get_by_role("button", name="Read the file").click()
    page.get_by_role("button", name="Show what would change").click()
    work_off()
    page.get_by_role("table", name="Rows, by sheet").wait_for()  # the page looks again by itself
    if page.get_by_role("button", name="The month comes first").count():
        page.get_by_role("button", name="The month comes first").click()
        work_off()
        page.get_by_role("button", name="Take in all good rows").wait_for()
    assert "31 Feb 2016" in page.content()
    with page.expect_download() as download:
        page.get_by_role("link", name=re.compile("Refused rows of")).first.click()
    refused = download.value.path().read_text(encoding="utf-8-sig")
    assert "Heater no." in refused.splitlines()[0]
    page.get_by_role("button", name="Take in all good rows").click()
    work_off()
    page.get_by_role("heading", name=re.compile("Taken in")).wait_for()

    page.goto(f"{live_server.url}/plan/")
    page.get_by_role("button", name=re.compile("forecast", re.IGNORECASE)).first.click()
    work_off()
    page.goto(f"{live_server.url}/plan/")
    assert page.locator("table").first.locator("tbody tr").count() >= 10
    for word in ("P10", "P50", "P80", "P90"):
        assert word in page.content()

    page.goto(f"{live_server.url}/work/")
    assert page.get_by_role("link", name=re.compile("Alderwick|Brindle|A$|B$")).count() > 0
