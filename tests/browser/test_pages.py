"""Every page at phone and desktop width: usable without moving sideways, by keyboard, and by axe's rules."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from typing import Any
from urllib.parse import urljoin

import pytest
from django.urls import resolve, reverse

from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters.models import ServiceRecord, WaterTest
from tests.browser.conftest import DESK, PHONE, accessibility_problems, sideways_overflow
from tests.conftest import Cast, make_heater

# Files to save, not pages to read.
FILES = re.compile(r"\.(csv|json|ndjson|xlsx|svg|pdf|ics|ya?ml|geojson|zip|js|webmanifest)(\?|$)|/file/")
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


def addresses(cast: Cast) -> list[str]:
    rows = [
        ("portfolio",),
        ("properties",),
        ("heaters",),
        ("history",),
        ("choose_organisation",),
        ("property", cast.property.pk),
        ("building", cast.building.pk),
        ("position", cast.position.pk),
        ("edit_position", cast.position.pk),
        ("heater", cast.heater.pk),
        ("edit_heater", cast.heater.pk),
    ]
    return [reverse(f"pages:{name}", args=arguments) for name, *arguments in rows]


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_every_page_fits_its_window_and_keeps_the_rules_of_access(
    lived_in: Cast, live_server: Any, signed_in: Callable[..., Any], size: dict[str, int]
) -> None:
    page = signed_in(lived_in.owner)
    page.set_viewport_size(size)
    problems: list[str] = []
    for address in addresses(lived_in):
        answer = page.goto(live_server.url + address, wait_until="load")
        assert answer.status == 200, address
        assert "Invented demonstration data" in page.inner_text("body")
        if sideways_overflow(page):
            problems.append(f"{address}: {sideways_overflow(page)} px wider than the window")
        problems += accessibility_problems(page)
    assert problems == []


def test_dark_keeps_its_contrast(lived_in: Cast, live_server: Any, signed_in: Callable[..., Any]) -> None:
    page = signed_in(lived_in.owner)
    page.emulate_media(color_scheme="dark")
    problems: list[str] = []
    for address in addresses(lived_in):
        page.goto(live_server.url + address)
        problems += accessibility_problems(page)
    assert problems == []


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


def views_reached_from_the_start(page: Any, start: str, most: int = 60) -> dict[str, str]:
    """One address for each view that links lead to, by the view's name."""
    found: dict[str, str] = {}
    waiting = ["/"]
    seen = set(waiting)
    while waiting and len(found) < most:
        address = waiting.pop(0)
        name = resolve(address.split("?")[0]).view_name
        if name in found:
            continue
        answer = page.goto(start + address)
        assert answer.status == 200, address
        found[name] = address
        links = page.eval_on_selector_all("a[href]", "all => all.map(a => a.getAttribute('href'))")
        for link in links:
            path = urljoin(address, link).split("#")[0]
            if path.startswith("/") and path not in seen and not FILES.search(path):
                seen.add(path)
                waiting.append(path)
    return found


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_every_page_that_links_lead_to_in_any_room(
    lived_in: Cast, live_server: Any, signed_in: Callable[..., Any], size: dict[str, int]
) -> None:
    page = signed_in(lived_in.owner)
    page.set_viewport_size(size)
    views = views_reached_from_the_start(page, live_server.url)
    assert {"pages:portfolio", "pages:heater", "care:queue", "planning:plan"} <= set(views)
    problems: list[str] = []
    for address in views.values():
        page.goto(live_server.url + address)
        if sideways_overflow(page):
            problems.append(f"{address}: {sideways_overflow(page)} px wider than the window")
        problems += accessibility_problems(page)
    assert problems == []
