"""The ranked list leaf by leaf: every heater once and in its rank, and not counted row by row."""

from __future__ import annotations

import re
from datetime import date

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from fleet.estate.models import Membership, Person
from fleet.planning.models import ForecastRun, HeaterOutlook
from tests.conftest import Cast, make_heater

pytestmark = pytest.mark.django_db
ADDRESS = reverse("planning:heaters")


@pytest.fixture
def ranked(in_house: Cast) -> list[str]:
    """A finished run of 120 heaters; their tags by rank."""
    run = ForecastRun.objects.create(organisation=in_house.house, as_of=date(2026, 6, 1), state="done")
    heaters = [make_heater(in_house.house, tag=f"R-{number}") for number in range(120)]
    heaters.reverse()
    HeaterOutlook.objects.bulk_create(
        HeaterOutlook(
            organisation=in_house.house,
            run=run,
            heater=heater,
            rank=rank,
            age_years=10,
            age_known=True,
            p_fail_12_months=0.0625,
            p_fail_36_months=0.25,
            remaining_life_p10_years=1,
            remaining_life_median_years=5,
            remaining_life_p90_years=9,
            planned_cost=2000,
            emergency_cost=3000,
        )
        for rank, heater in enumerate(heaters, start=1)
    )
    return [heater.tag for heater in heaters]


def leaf(cast: Cast, person: Person, number: int) -> str:
    return str(cast.client(person).get(f"{ADDRESS}?page={number}").content.decode())


def tags(text: str) -> list[str]:
    return re.findall(r">(R-\d+)</a>", text)


def test_leaves_hold_every_heater_once_in_its_rank(in_house: Cast, ranked: list[str]) -> None:
    leaves = [leaf(in_house, in_house.planner, number) for number in (1, 2, 3)]
    assert [tag for one in leaves for tag in tags(one)] == ranked
    assert all("120 heaters in service" in one and "of 3<" in one for one in leaves)


def test_who_sees_a_part_of_the_house_sees_no_run_of_the_whole(in_house: Cast, ranked: list[str]) -> None:
    narrow = Membership.objects.get(person=in_house.technician)
    narrow.all_properties = False
    narrow.save()
    narrow.properties.set([in_house.property])
    assert in_house.client(in_house.technician).get(ADDRESS).status_code == 404


def test_a_whole_list_is_counted_by_its_last_rank_not_row_by_row(in_house: Cast, ranked: list[str]) -> None:
    with CaptureQueriesContext(connection) as queries:
        leaf(in_house, in_house.planner, 2)
    asked = [query["sql"] for query in queries if "planning_heateroutlook" in query["sql"]]
    assert asked and not any("COUNT(" in query or "OFFSET" in query for query in asked)
