"""The first steps: shown to those who plan, ticked from the record, gone when all are done."""

from __future__ import annotations

import pytest
from django.urls import reverse
from django.utils import timezone

from fleet.estate.models import Job, Membership, Organisation, Property
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.planning.models import CostBook, CostLine, ForecastRun
from tests.conftest import Cast


def page_of(cast: Cast, who: str) -> str:
    return cast.client(getattr(cast, who)).get(reverse("pages:portfolio")).content.decode()


def test_a_new_house_is_led_from_its_file_to_its_crew(cast: Cast) -> None:
    page = page_of(cast, "owner")
    assert "First steps" in page
    assert "Make the first forecast" in page
    assert "First steps" not in page_of(cast, "technician")


def test_they_are_gone_when_the_record_shows_each_done(cast: Cast) -> None:
    house = cast.house
    with scoped(scope_of_organisation(house)):
        ForecastRun.objects.create(
            organisation=house,
            as_of=timezone.now().date(),
            state="done",
            finished_at=timezone.now(),
            result={},
        )
        Job.objects.create(organisation=house, kind="data_quality", state="done", run_after=timezone.now())
        book = CostBook.objects.create(organisation=house, valid_from=timezone.now().date())
        CostLine.objects.create(
            organisation=house,
            book=book,
            kind="heat_pump",
            planned_cost=1,
            emergency_cost=2,
            status="entered",
        )
    assert "First steps" not in page_of(cast, "owner")
    with scoped(scope_of_organisation(house)):
        Property.objects.filter(organisation=house).update(records_since=None)
    assert "Say since when every ending is on record" in page_of(cast, "owner")
    Membership.objects.filter(organisation=house).exclude(person=cast.owner).delete()
    assert "Invite the crew" in page_of(cast, "owner")


@pytest.mark.parametrize(
    "name",
    ["pages:heaters", "pages:properties", "planning:plan", "care:queue", "heaters_export:data_quality"],
)
def test_an_empty_page_says_what_fills_it_to_those_who_may(cast: Cast, name: str) -> None:
    empty = Organisation.objects.create(name="Empty Homes (invented)", invented=True)
    Membership.objects.filter(person=cast.planner).update(organisation=empty)
    Membership.objects.filter(person=cast.technician).update(organisation=empty)
    door = f'href="{reverse("heaters:import_start")}"'
    page = cast.client(cast.planner).get(reverse(name)).content.decode().split("<main", 1)[1]
    assert door in page
    assert "Make the first forecast" not in page and "Nothing that the plan asks for" not in page
    assert door not in cast.client(cast.technician).get(reverse(name)).content.decode().split("<main", 1)[1]
