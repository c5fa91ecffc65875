"""Every page that links lead to, for each role: by axe in light and dark, without moving sideways, by keyboard."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters.models import ServiceRecord, WaterTest
from tests.browser.axe import in_both_colours, too_wide
from tests.browser.conftest import accessibility_problems
from tests.conftest import Cast, make_heater
from tests.face.walk import pages_by_links

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def lived_in(cast: Cast) -> Cast:
    """The cast's house with a predecessor, service history, a water test, vague dates and an empty position."""
    with scoped(scope_of_organisation(cast.house, actor="test")):
        gone = make_heater(
            cast.house,
            tag="H-0",
            installed_earliest=date(2004, 1, 1),
            installed_latest=date(2006, 12, 31),
            installed_precision="between",
            ending="tank_leak",
            removed_earliest=date(2016, 4, 1),
            removed_latest=date(2016, 4, 30),
            removed_precision="month",
        )
        gone.position = cast.position
        gone.save()
        for number in range(30):
            year = 1998 + number % 27
            make_heater(
                cast.house,
                tag=f"X-{number}",
                kind=["electric_storage", "gas_tankless", "heat_pump"][number % 3],
                installed_earliest=date(year, 1, 1) if number % 7 else None,
                installed_latest=date(year, 12, 31) if number % 7 else None,
                installed_precision="year" if number % 7 else "unknown",
            )
        for day, kind in (
            (date(2018, 6, 1), "flush"),
            (date(2021, 2, 3), "anode_renewed"),
            (date(2023, 9, 9), "flush"),
        ):
            ServiceRecord.objects.create(
                organisation=cast.house,
                heater=cast.heater,
                kind=kind,
                done_earliest=day,
                done_latest=day,
                done_precision="day",
                notes="invented",
            )
        WaterTest.objects.create(
            organisation=cast.house,
            property=cast.property,
            tested_earliest=date(2022, 3, 1),
            tested_latest=date(2022, 3, 1),
            tested_precision="day",
            hardness_mg_l=212.0,
            ph=7.7,
        )
    return cast


def test_pictures_are_drawn_and_their_tables_stand_beside_them(
    lived_in: Cast, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    page = signed_in(lived_in.owner)
    page.goto(live_server.url + "/", wait_until="networkidle")
    page.locator("figure img").first.scroll_into_view_if_needed()
    page.wait_for_function("[...document.images].every(i => i.complete && i.naturalWidth > 0)")
    page.get_by_text("The same as a table, by kind").click()
    assert page.get_by_role("table", name="Heaters in service by age").is_visible()


def test_signing_in_by_keyboard_alone(cast: Cast, live_server: Any, browser_page: Any) -> None:
    browser_page.goto(live_server.url + "/")
    assert accessibility_problems(browser_page) == []
    assert browser_page.evaluate("document.activeElement.id") == "id_username"
    browser_page.keyboard.type("owner@almanac.example")
    browser_page.keyboard.press("Tab")
    browser_page.keyboard.type("water-heater-9")
    browser_page.keyboard.press("Enter")
    browser_page.wait_for_url(live_server.url + "/")
    assert browser_page.get_by_role("heading", level=1).inner_text() == "At a glance"
    browser_page.keyboard.press("Tab")
    assert browser_page.evaluate("document.activeElement.textContent") == "Skip to the content"
    browser_page.keyboard.press("Enter")
    assert browser_page.evaluate("document.activeElement.id") == "main"


def test_a_record_is_changed_through_the_form(
    cast: Cast, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    page = signed_in(cast.technician)
    page.goto(live_server.url + reverse("pages:heater", args=[cast.heater.pk]))
    page.get_by_role("link", name="Change this record").click()
    page.get_by_label("Put in").fill("about 2012")
    page.get_by_role("button", name="Save").click()
    page.wait_for_url("**/heaters/*/")
    assert "1 Jan 2011 to 31 Dec 2013" in page.inner_text("main")


def test_every_page_that_anybody_comes_to_by_links(
    lived_in: Cast, live_server: Any, chromium: Any, signed_in: Callable[..., Any]
) -> None:
    """By axe in light and dark and at three widths. What one seat has met, the next ones leave out."""
    problems: list[str] = []
    met: set[str] = set()
    for person in (lived_in.owner, lived_in.planner, lived_in.technician, lived_in.contractor):
        client = lived_in.client(person)

        def get(address: str, client: Client = client) -> tuple[int, str]:
            answer = client.get(address, follow=True)
            return answer.status_code, answer.content.decode()

        found = pages_by_links(get, "/", problems)
        page = signed_in(person)
        for name, address in found.items():
            if name in met and address != "/":
                continue
            page.goto(live_server.url + address, wait_until="load")
            problems += in_both_colours(page) + too_wide(page)
            if name not in met and not name.startswith(("mfa_", "api:")):
                # The phone's page draws itself.
                page.get_by_text("Invented demonstration data").first.wait_for()
        met |= set(found)
    assert {"pages:portfolio", "pages:heater", "pages:edit_heater", "care:queue", "planning:plan"} <= met
    assert len(met) > 50
    assert problems == []
