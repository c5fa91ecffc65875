"""A task from the queue to its findings, on a phone: cautions first, an odd value asked again, something unsafe."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from fleet.care import services
from fleet.estate.scope import scope_of_organisation, scoped
from tests.browser.conftest import PHONE, accessibility_problems
from tests.conftest import Cast, make_heater

pytestmark = pytest.mark.browser
SHOTS = os.environ.get("CARE_SHOTS", "")


def shot(page: Any, name: str) -> None:
    """Keep a picture to look at, where asked for."""
    if SHOTS:
        page.screenshot(path=f"{SHOTS}/{name}.png", full_page=True)


@pytest.mark.django_db(transaction=True)
def test_a_flush_on_a_phone(cast: Cast, live_server: Any, signed_in: Callable[..., Any]) -> None:
    with scoped(scope_of_organisation(cast.house)):
        made = date(2023, 1, 10)
        heater = make_heater(cast.house, tag="Y-1", installed_earliest=made, installed_latest=made)
        services.roll_forward(cast.house, made)  # care is kept here since then
        services.roll_forward(cast.house)
    page = signed_in(cast.technician)
    page.set_viewport_size(PHONE)
    page.goto(f"{live_server.url}/work/")
    shot(page, "queue")
    assert accessibility_problems(page) == []
    page.get_by_role("link", name="Alder Court, A", exact=True).click()
    page.get_by_role("link", name="Flush sediment").first.click()
    shot(page, "task")
    assert accessibility_problems(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    page.get_by_label("Water drained, gal").fill("400")
    for choice in ("cloudy", "closes tight", "dry"):
        page.get_by_label(choice, exact=True).check()
    page.get_by_role("button", name="Record as done").click()
    assert page.get_by_role("alert").inner_text().count("Usual is 2 to 120 gal") == 1
    assert accessibility_problems(page) == []
    shot(page, "asked again")
    page.get_by_label("I looked again").check()
    page.get_by_role("button", name="Record as done").click()
    page.get_by_text("Flush sediment: done and kept.").wait_for()
    shot(page, "heater")
    assert accessibility_problems(page) == []

    page.get_by_role("link", name="Try the relief valve").click()
    page.get_by_label("not at all").check()
    page.get_by_role("button", name="Record as done").click()
    page.get_by_role("heading", name="Unsafe: out of service").wait_for()
    assert page.get_by_role("button", name="Record as done").count() == 0
    shot(page, "stopped")
    assert accessibility_problems(page) == []
    for address in (
        f"/work/heaters/{heater.pk}/card/",
        f"/work/buildings/{cast.building.pk}/labels/",
        "/work/unsafe/",
    ):
        page.goto(live_server.url + address)
        shot(page, address.strip("/").replace("/", "-"))
        assert accessibility_problems(page) == [], address
