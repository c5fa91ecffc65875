"""Each user's first ten minutes, by mouse, by the keyboard alone and with a finger on a phone, on one small estate."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from datetime import date
from typing import Any

import pytest
from django.conf import settings
from django.test import Client

from fleet.care import services
from fleet.contracts import survey
from fleet.contracts.models import Offer
from fleet.estate import grants
from fleet.estate.models import Membership, Organisation, Person, Property
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.heaters.models import ServiceRecord
from fleet.planning.capital_rows import CapitalPlan
from fleet.planning.services import open_run, run_forecast
from tests.browser.conftest import DESK, PHONE
from tests.browser.hand import Hand
from tests.conftest import Cast
from tests.fleet.planning.estates import AS_OF, grow_estate

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
WAYS = ("mouse", "keyboard", "phone")


@pytest.fixture
def people(transactional_db: None, cast: Cast) -> dict[str, Person]:
    """The cast's house with a forecast, work that is due and a company that has surveyed it."""
    company = Organisation.objects.create(
        name="Copper Lane Plumbing (invented)", kind="company", invented=True
    )
    for organisation in (cast.house, company):
        organisation.calendar_stands_at = AS_OF
        organisation.save()
    boss = Person.objects.create_user("boss@almanac.example", "water-heater-9", name="Boss")
    Membership.objects.create(organisation=company, person=boss, role="owner")
    with scoped(scope_of_organisation(company)):
        code = grants.code_of(company)
    with scoped(scope_of_organisation(cast.house, actor="test")):
        grow_estate(cast.house, positions=12, properties=1)
        services.roll_forward(cast.house, date(2026, 1, 1))
        services.roll_forward(cast.house)
        run_forecast(open_run(cast.house, AS_OF, horizon_years=3, draws=60, seed=5))
        places = list(Property.objects.filter(name="Invented 0").values_list("pk", flat=True))
        grants.grant_access(cast.house, code, places, 3)
    with scoped(grants.scope_of_company(company)):
        survey.work_out(survey.begin_survey(company, places))
    return {"manager": cast.planner, "crew": cast.technician, "company": boss}


@pytest.fixture
def hands(chromium: Any, live_server: Any, people: dict[str, Person]) -> Iterator[Callable[[str, str], Hand]]:
    """A hand for a user and a way, in a browser's context of its own."""
    opened = []

    def take(user: str, way: str) -> Hand:
        client = Client()
        client.force_login(people[user])
        size = PHONE if way == "phone" else DESK
        context = chromium.new_context(viewport=size, has_touch=way == "phone")
        opened.append(context)
        name = settings.SESSION_COOKIE_NAME
        context.add_cookies([{"name": name, "value": client.cookies[name].value, "url": live_server.url}])
        page = context.new_page()
        page.set_default_timeout(15_000)
        page.goto(live_server.url)
        return Hand(page, way)

    yield take
    for context in opened:
        context.close()


def manage(hand: Hand) -> None:
    """The plan, why a heater stands on its list, a plan under a cap asked for."""
    hand.press("link", "Plan")
    hand.press("link", "Plan under a yearly cap")
    hand.write("Cap a fiscal year", "20000")
    hand.press("button", "Make the plan")
    hand.page.get_by_role("progressbar").wait_for()


def work(hand: Hand) -> None:
    """Where to go, what can hurt, what was found."""
    hand.press("link", re.compile("Invented 0"))
    hand.press("link", "Flush sediment")
    page = hand.page
    page.get_by_role("heading", name="Stop and leave it if").wait_for()
    hand.write("Water drained, gal", "12")
    for choice in ("cloudy", "closes tight", "dry"):
        hand.tick(choice)
    hand.press("button", "Record as done")
    page.get_by_text("Flush sediment: done and kept.").wait_for()


def offer(hand: Hand) -> None:
    """From the survey to a price with its risk, kept as an offer."""
    hand.press("link", "Surveys")
    hand.press("link", re.compile("Alder Homes"))
    hand.press("link", "Price it")
    hand.write("Margin, % of the price", "25")
    hand.press("button", "Try it")
    hand.page.get_by_role("heading", name="Chance of a loss").wait_for()
    hand.press("button", "Keep it as an offer")
    hand.page.get_by_role("heading", name=re.compile("Offer")).first.wait_for()


def test_each_user_is_at_home_by_mouse_by_keyboard_and_on_a_phone(hands: Callable[[str, str], Hand]) -> None:
    for way in WAYS:
        manage(hands("manager", way))
        work(hands("crew", way))
        offer(hands("company", way))
    with unscoped("counting what was made"):
        assert CapitalPlan.objects.filter(cap=20000).count() == len(WAYS)
        assert ServiceRecord.objects.filter(kind="flush", done_earliest=AS_OF).count() == len(WAYS)
        assert Offer.objects.count() == len(WAYS)
