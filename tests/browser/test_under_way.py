"""Pages of work that goes on: they look again by themselves, can be told to stand still, and take nothing away."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.urls import reverse

from fleet.estate.background import work_off
from fleet.estate.background_rows import Job
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters import made_exports
from tests.browser import axe
from tests.conftest import Cast

pytestmark = pytest.mark.browser
SOON = 3100  # milliseconds: one look


def test_no_page_reloads_itself_without_asking() -> None:
    """A page that reloads takes the reader's place away and cannot be stopped (WCAG 2.2, 2.2.1 and 3.2.5)."""
    pages = list(Path(settings.ROOT).glob("fleet/**/*.html"))
    assert len(pages) > 100
    assert [page for page in pages if re.search(r"http-equiv\W+refresh", page.read_text())] == []


@pytest.fixture
def at_work(cast: Cast, monkeypatch: pytest.MonkeyPatch) -> Callable[[], list[str]]:
    """Has work asked for and gives the addresses that show it under way."""
    monkeypatch.setattr(made_exports, "LARGE_HEATERS", 0)
    planner = cast.client(cast.planner)

    def ask() -> list[str]:
        run = planner.post(reverse("planning:ask"))["Location"]
        planner.post(reverse("care:lay_out"))
        planner.post(reverse("heaters_export:have_made"), {"format": "csv"})
        planner.post(reverse("planning:ask_check"))
        planner.post(reverse("heaters_export:compute_data_quality"))
        with scoped(scope_of_organisation(cast.house)):
            job = Job.objects.filter(kind="lay_visits").latest("pk")
        names = ("care:visits", "heaters_export:export", "heaters_export:data_quality", "planning:trust")
        return [run, reverse("pages:job", args=[job.pk]), *map(reverse, names)]

    return ask


@pytest.mark.django_db(transaction=True)
def test_every_one_keeps_the_rules_of_access(
    cast: Cast, live_server: Any, signed_in: Callable[..., Any], at_work: Callable[[], list[str]]
) -> None:
    page, problems = signed_in(cast.planner), []
    for address in at_work():
        page.goto(live_server.url + address)
        assert page.get_by_role("button", name="Let it stand still").is_visible(), address
        problems += axe.in_both_colours(page) + axe.too_wide(page)
        page.emulate_media(media="print")
        assert page.locator("#under-way [role=status]").is_visible(), address
        assert not page.get_by_text("Look again now").is_visible(), address
        page.emulate_media(media="screen")
    assert problems == []


@pytest.mark.django_db(transaction=True)
def test_it_shows_the_end_unless_told_to_stand_still(
    cast: Cast, live_server: Any, signed_in: Callable[..., Any], at_work: Callable[[], list[str]]
) -> None:
    page, address = signed_in(cast.planner), at_work()[1]
    page.clock.install()
    page.goto(live_server.url + address)
    page.get_by_role("button", name="Let it stand still").click()
    work_off()
    page.clock.run_for(3 * SOON)
    assert page.get_by_text("Waiting for its turn").is_visible()
    page.get_by_role("link", name="Look again now").click()
    page.get_by_text("Done at").wait_for()

    address = at_work()[1]
    page.goto(live_server.url + address)
    work_off()
    page.clock.run_for(SOON)
    page.get_by_text("Done at").wait_for()


@pytest.mark.django_db(transaction=True)
def test_it_takes_away_nothing_that_is_being_chosen(
    cast: Cast, live_server: Any, signed_in: Callable[..., Any], at_work: Callable[[], list[str]]
) -> None:
    page = signed_in(cast.planner)
    page.clock.install()
    address = at_work()[3]
    page.goto(live_server.url + address)
    page.get_by_label("COBie sheets of a building").focus()
    work_off()
    page.clock.run_for(SOON)
    page.get_by_text("It has ended").wait_for()
    page.get_by_role("link", name="Look again now").click()
    page.get_by_role("link", name="CSV", exact=True).wait_for()


@pytest.mark.django_db(transaction=True)
def test_without_scripts_a_link_looks_again(cast: Cast, at_work: Callable[[], list[str]]) -> None:
    planner = cast.client(cast.planner)
    for address in at_work():
        text = planner.get(address).content.decode()
        assert f'href="{address}">Look again now' in text
        assert '<span class="by-itself" hidden>' in text
