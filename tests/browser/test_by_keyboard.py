"""By the keyboard alone: a visit changed on its page, and what is asked for twice because it cannot be taken back."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest
from django.urls import reverse

from fleet.care import crews, services, visits
from fleet.care.models import Crew, Visit
from fleet.estate import tokens
from fleet.estate.models import AccessToken, Membership
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.reminders import feed
from tests.browser.hand import Hand
from tests.conftest import Cast, make_heater

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
TODAY = date(2026, 6, 1)


@pytest.fixture
def visit(cast: Cast) -> Visit:
    cast.house.calendar_stands_at = TODAY
    cast.house.save()
    made = date(2024, 1, 10)
    with scoped(scope_of_organisation(cast.house)):
        make_heater(cast.house, tag="Y-1", installed_earliest=made, installed_latest=made)
        services.roll_forward(cast.house, date(2024, 2, 1))
        services.roll_forward(cast.house)
        crews.keep_crew(cast.house, "North", 300, ["licensed_plumber"], [cast.technician.pk])
        crews.keep_crew(cast.house, "South", 300, ["licensed_plumber"], [])
        visits.plan_visits(cast.building, TODAY)
        return visits.visit_on(cast.building, TODAY)


def test_a_visit_is_begun_moved_given_away_and_ended(
    cast: Cast, visit: Visit, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    page = signed_in(cast.technician)
    hand = Hand(page, "keyboard")
    page.goto(live_server.url + reverse("care:visits"))
    hand.press("link", "Change this visit")
    hand.choose("Crew", "South")
    hand.write("Why this crew?", "nearer")
    hand.press("button", "Give it to this crew")
    page.get_by_role("status").get_by_text("South").wait_for()
    hand.write("New day", "06032026")
    hand.write("Why this day?", "nobody at home")
    hand.press("button", "Move")
    page.get_by_text("The visit is moved to").wait_for()
    hand.press("button", "Begin it now")
    page.get_by_text(re.compile(r"^Begun \d")).wait_for()
    hand.press("button", "End it now")
    page.get_by_text(re.compile(r"^Begun .*, ended \d")).wait_for()
    hand.press("link", "Notice for the people there")
    page.get_by_role("heading", name="Notice for the people in").wait_for()
    with scoped(scope_of_organisation(cast.house)):
        visit.refresh_from_db()
        assert (visit.day, visit.team_id) == (TODAY + timedelta(days=2), Crew.objects.get(name="South").pk)
        assert visit.started_at and visit.ended_at


def test_what_cannot_be_taken_back_is_opened_read_and_then_done(
    cast: Cast, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    mine = Membership.objects.get(person=cast.owner)
    with scoped(scope_of_organisation(cast.house)):
        token, _ = tokens.make_token(mine, "personal", "the till", ["read"], 30)
        first = feed.new_address(cast.owner, cast.house)
    page = signed_in(cast.owner)
    hand = Hand(page, "keyboard")
    hers = Membership.objects.get(person=cast.technician)
    page.goto(live_server.url + reverse("estate:member", args=[hers.pk]))
    hand.open("Remove Technician")
    page.get_by_text("Coming back takes a new invitation.").wait_for()
    hand.press("button", "Remove Technician now")
    page.wait_for_url("**" + reverse("estate:people"))
    page.goto(live_server.url + reverse("estate:tokens"))
    hand.open("Revoke")
    page.get_by_text("is shut out at once").wait_for()
    hand.press("button", "Revoke it")
    page.get_by_role("cell", name="ended").wait_for()
    page.goto(live_server.url + reverse("reminders:wishes"))
    hand.open("Renew the address")
    hand.press("button", "Make a new address")
    page.get_by_text("It is shown this once.").wait_for()
    assert not Membership.objects.filter(pk=hers.pk).exists()
    with unscoped("looking at what was done"):
        assert AccessToken.objects.get(pk=token.pk).revoked_at is not None
        assert feed.calendar_behind(first) is None
