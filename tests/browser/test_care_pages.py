"""Every care page on a phone and on a desk: axe, width, the keyboard."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from fleet.care import crews, labels, services, visits
from fleet.care.models import SentEntry, Task
from fleet.estate.scope import scope_of_organisation, scoped
from tests.browser.conftest import DESK, PHONE, accessibility_problems, sideways_overflow
from tests.conftest import Cast, make_heater

pytestmark = pytest.mark.browser
SHOTS = os.environ.get("CARE_SHOTS", "")
TODAY = date(2026, 6, 1)
FLUSH = {"drained_gal": "12", "colour": "cloudy", "drain_valve": "closes tight", "tank_body": "dry"}


@pytest.mark.django_db(transaction=True)
def test_the_care_pages(cast: Cast, live_server: Any, signed_in: Callable[..., Any]) -> None:
    cast.house.calendar_stands_at = TODAY
    cast.house.save()
    with scoped(scope_of_organisation(cast.house)):
        made = date(2024, 1, 10)
        heater = make_heater(cast.house, tag="Y-1", installed_earliest=made, installed_latest=made)
        services.roll_forward(cast.house, date(2024, 2, 1))
        services.roll_forward(cast.house)
        crews.keep_crew(cast.house, "North", 300, ["licensed_plumber"], [cast.technician.pk])
        crews.set_site_care(cast.property, True, ["es", "fr"])
        code = labels.label_heaters([heater])[heater.pk].code
        visits.plan_visits(cast.building, TODAY)
        visit = visits.visit_on(cast.building, TODAY)
        task = Task.objects.get(heater=heater, kind="flush", state="open")
        left_out = Task.objects.get(heater=heater, kind="anode_inspection", state="open")
        services.skip_task(left_out, "no way in")
        labels.report_leak(heater, "wet floor", task.organisation.created_at)
        SentEntry.objects.create(
            organisation=cast.house, property=cast.property, key="6f0a2e0c-0d38-4e0e-9d0e-2f1d1f0d6a11", kind="done",
            person=cast.technician, task=left_out, sent={}, worked_at=cast.house.created_at,
            received_at=cast.house.created_at, result="decide", words="Closed meanwhile.",
            both=[["Task", "left out", "work done"]],
        )  # fmt: skip
    page = signed_in(cast.planner)
    addresses = [
        "/work/", f"/work/buildings/{cast.building.pk}/", f"/work/heaters/{heater.pk}/", f"/work/tasks/{task.pk}/",
        "/work/visits/", "/work/crews/", "/work/sent/", "/work/done/", "/work/unsafe/",
        f"/work/visits/{visit.pk}/", f"/work/properties/{cast.property.pk}/rules/", f"/work/visits/{visit.pk}/notice/", f"/work/heaters/{heater.pk}/card/",
    ]  # fmt: skip
    problems = []
    for size, width, colours in ((PHONE, "phone", "light"), (DESK, "desk", "dark")):
        page.set_viewport_size(size)
        page.emulate_media(color_scheme=colours)
        for address in addresses:
            page.goto(live_server.url + address)
            if SHOTS:
                page.screenshot(path=f"{SHOTS}/{width}{address.replace('/', '-')}.png", full_page=True)
            problems += accessibility_problems(page)
            if sideways_overflow(page):
                problems.append(f"{address} is wider than the {width}")
    page.context.clear_cookies()
    page.goto(f"{live_server.url}/c/{code}/")
    if SHOTS:
        page.screenshot(path=f"{SHOTS}/public-card.png", full_page=True)
    problems += accessibility_problems(page)
    page.get_by_label("What do you see?").focus()
    page.keyboard.type("water")
    page.keyboard.press("Enter")
    page.get_by_text("Gracias.").wait_for()
    problems += accessibility_problems(page)
    assert problems == []
