"""A contract's whole way in a browser: grant, survey, offer as PDF, acceptance, the task on a phone, how it pays."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from pypdf import PdfReader

from fleet.care.models import Task
from fleet.estate import grants
from fleet.estate.background import work_off
from fleet.estate.models import Membership, Organisation, Person
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.heaters.models import ServiceRecord
from tests.browser.conftest import DESK, PHONE, accessibility_problems, sideways_overflow
from tests.conftest import make_heater

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
TODAY = date(2026, 3, 2)


@pytest.fixture
def people(transactional_db: None) -> dict[str, Person]:
    house = Organisation.objects.create(
        name="Alder Homes (invented)", invented=True, calendar_stands_at=TODAY
    )
    company = Organisation.objects.create(
        name="Copper Lane Plumbing (invented)", kind="company", invented=True, calendar_stands_at=TODAY
    )
    found = {}
    for name, role, of in (
        ("owner", "owner", house),
        ("boss", "owner", company),
        ("fitter", "technician", company),
    ):
        person = Person.objects.create_user(f"{name}@almanac.example", "water-heater-9", name=name.title())
        Membership.objects.create(organisation=of, person=person, role=role)
        found[name] = person
    with unscoped("making the houses"):
        for number in range(1, 9):
            heater = make_heater(house, tag=f"H-{number}")
            ServiceRecord.objects.create(
                organisation=house,
                heater=heater,
                kind="flush",
                done_earliest=date(2025, 6, 1),
                done_latest=date(2025, 6, 1),
                done_precision="day",
            )
    return found


def fit_to_read(page: Any) -> None:
    """At both widths: nothing that a reader of any kind stumbles over."""
    for size in (PHONE, DESK):
        page.set_viewport_size(size)
        assert sideways_overflow(page) == 0, page.url
        assert accessibility_problems(page) == []


def test_from_grant_to_how_it_pays(
    people: dict[str, Person], signed_in: Callable[[Person], Any], live_server: Any
) -> None:
    company = Organisation.objects.get(kind="company")
    with scoped(scope_of_organisation(company)):
        code = grants.code_of(company)

    page = signed_in(people["owner"])
    page.goto(f"{live_server.url}/access/")
    page.get_by_label("The company's code").fill(code.lower())
    page.get_by_label("survey for an offer").check()
    page.get_by_label("Alder Court").check()
    page.get_by_label("Last day").fill("2026-04-30")
    page.get_by_role("button", name="Give access").click()
    assert page.get_by_text("now has access: survey for an offer").is_visible()
    fit_to_read(page)

    page = signed_in(people["boss"])
    page.goto(live_server.url)
    assert page.get_by_role("heading", name="Clients", exact=True).is_visible()
    fit_to_read(page)
    page.get_by_role("link", name="Surveys").click()
    page.get_by_role("button", name=re.compile("Begin the survey of Alder Homes")).click()
    fit_to_read(page)  # while it is being worked out
    work_off()
    page.get_by_role("link", name="Price it").wait_for()  # the page looks again by itself
    fit_to_read(page)
    page.get_by_role("link", name="Price it").click()
    page.get_by_label("care, repairs and replacement up to a limit").check()
    page.get_by_label("Replacements up to").fill("9,000")
    page.get_by_role("button", name="Try it").click()
    assert page.get_by_role("heading", name="Chance of a loss").is_visible()
    fit_to_read(page)
    page.get_by_label("Starts").fill("2026-03-02")
    page.get_by_role("button", name="Keep it as an offer").click()
    page.get_by_text("Issue it to the client").click()
    page.get_by_role("button", name="Issue it now").click()
    fit_to_read(page)

    page = signed_in(people["owner"])
    page.goto(f"{live_server.url}/offers/")
    page.get_by_role("link", name=re.compile("Copper Lane")).click()
    with page.expect_download() as download:
        page.get_by_role("link", name="Offer as PDF").click()
    text = PdfReader(io.BytesIO(download.value.path().read_bytes())).pages[0].extract_text()
    assert "Offer of a service contract" in text
    fit_to_read(page)
    printed = printed_words(page)
    assert "H-1, Alder Court" in printed  # what is taken on stands on paper, folded on the screen or not
    assert "Your answer" not in printed
    page.get_by_label("accept the offer").check()
    page.get_by_label("Your name").fill("Olga Owner")
    page.get_by_role("button", name="Answer now").click()
    assert page.get_by_text("Olga Owner (Owner)").is_visible()
    work_off()

    page = signed_in(people["fitter"])
    page.set_viewport_size(PHONE)
    page.goto(f"{live_server.url}/work/?days=120")
    assert "Alder Homes (invented)" in page.content()
    with unscoped("looking for the promised task"):
        task = Task.objects.get(kind="relief_valve_test", heater__tag="H-1", state="open")
        assert task.promised_words == "Contract 1 of Copper Lane Plumbing (invented)"
    page.goto(f"{live_server.url}/work/tasks/{task.pk}/")
    assert "Contract 1" in page.content()
    finish(page, task)

    page = signed_in(people["boss"])
    page.set_viewport_size(DESK)
    page.goto(f"{live_server.url}/contracts/")
    page.get_by_role("link", name=re.compile("1, Alder Homes")).click()
    assert page.get_by_role("heading", name="How it pays").is_visible()
    assert page.get_by_text("1 of 1").first.is_visible()
    assert "priced futures" in page.content()
    fit_to_read(page)
    printed = printed_words(page)
    assert "Heaters under contract" in printed
    for of_a_form in ("Enter a job", "Take out", "End this contract early"):
        assert of_a_form not in printed


def printed_words(page: Any) -> str:
    page.emulate_media(media="print")
    words = str(page.locator("main").inner_text())
    page.emulate_media(media="screen")
    return words


def finish(page: Any, task: Task) -> None:
    """Fill in what the task asks for, with its usual answers, and send it."""
    for field in task.task_kind.findings:
        if field.type == "choice":
            safe = next(choice for choice in field.choices if choice not in field.unsafe)
            page.locator(f"[name='{field.name}'][value='{safe}']").check()
        elif field.type == "number" and field.required:
            page.locator(f"[name='{field.name}']").fill(f"{field.usual_low:g}")
    page.get_by_role("button", name="Record as done").click()
    page.get_by_text("Try the relief valve: done and kept.").wait_for()
