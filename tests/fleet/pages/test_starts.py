"""Each user's own start: the crew begins with dangers and today's places, the manager with the portfolio."""

from __future__ import annotations

from datetime import timedelta

from django.urls import reverse
from django.utils import timezone

from fleet.care.models import Task, UnsafeFinding, Visit
from fleet.estate.calendar import today_of
from fleet.estate.scope import unscoped
from tests.conftest import Cast


def start_of(cast: Cast, who: str, query: str = "") -> str:
    return cast.client(getattr(cast, who)).get(reverse("pages:portfolio") + query).content.decode()


def test_the_crew_begins_with_today(in_house: Cast) -> None:
    day = today_of(in_house.house)
    task = Task.objects.create(
        organisation=in_house.house,
        heater=in_house.heater,
        kind="flush",
        due_on=day - timedelta(days=3),
        rule="x",
    )
    page = start_of(in_house, "technician")
    assert "<h1>Today" in page
    assert "No visit is laid out for today" in page
    assert "1 overdue, 0 due" in page
    task.visit = Visit.objects.create(organisation=in_house.house, building=in_house.building, day=day)
    task.save()
    places = start_of(in_house, "technician").split("Where to go today")[1].split("</section>")[0]
    assert "Alder Court, A" in places
    assert "1 task<" in places


def test_danger_stands_first(in_house: Cast) -> None:
    UnsafeFinding.objects.create(
        organisation=in_house.house, heater=in_house.heater, what="smell of gas", seen_at=timezone.now()
    )
    page = start_of(in_house, "technician")
    assert page.index("something unsafe was found") < page.index("Where to go today")


def test_dangers_of_another_house_are_not_counted(cast: Cast) -> None:
    with unscoped("an unsafe finding elsewhere"):
        UnsafeFinding.objects.create(
            organisation=cast.other_house, heater=cast.foreign_heater, what="leak", seen_at=timezone.now()
        )
    assert "something unsafe was found" not in start_of(cast, "technician")


def test_the_manager_begins_with_the_portfolio_and_the_crew_can_reach_it(cast: Cast) -> None:
    assert "<h1>At a glance" in start_of(cast, "owner")
    assert "<h1>At a glance" in start_of(cast, "planner")
    assert "<h1>At a glance" in start_of(cast, "technician", "?whole=1")
