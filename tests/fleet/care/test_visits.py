"""Tasks into visits: each on exactly one, within its window, few trips; again the same; moved by hand it stays."""

from __future__ import annotations

import itertools
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.care import services, visits
from fleet.care.grouping import Due, trips
from fleet.care.models import Task, Visit
from fleet.estate.models import HistoryEntry
from tests.conftest import Cast, make_heater

TODAY = date(2026, 6, 1)  # a Monday


@st.composite
def dues(draw: Any) -> list[Due]:
    rows = draw(
        st.lists(
            st.tuples(st.integers(1, 6), st.integers(-900, 90), st.integers(7, 60), st.integers(5, 120)),
            max_size=40,
        )
    )
    return [
        Due(
            number,
            heater,
            TODAY + timedelta(days=offset - window),
            TODAY + timedelta(days=offset + window),
            minutes,
        )
        for number, (heater, offset, window, minutes) in enumerate(rows)
    ]


@given(dues())
def test_every_task_goes_on_exactly_one_trip_within_its_window(tasks: list[Due]) -> None:
    planned = trips(tasks, TODAY)
    assert sorted(number for trip in planned for number in trip.task_ids) == [task.task_id for task in tasks]
    by_id = {task.task_id: task for task in tasks}
    for trip in planned:
        assert trip.day >= TODAY
        assert trip.day.weekday() < 5
        for number in trip.task_ids:
            task = by_id[number]
            assert task.opens_on <= trip.day
            assert trip.day <= max(task.closes_on, TODAY)
        heaters = {by_id[number].heater_id for number in trip.task_ids}
        assert trip.minutes <= 420 or len(heaters) == 1


@given(dues())
def test_no_day_that_could_be_saved(tasks: list[Due]) -> None:
    """The first windows of all days are disjoint: fewer days could not meet them all."""
    days = sorted({trip.day for trip in trips(tasks, TODAY)})
    by_id = {task.task_id: task for task in tasks}
    planned = trips(tasks, TODAY)
    for earlier, later in itertools.pairwise(days):
        first = min(
            by_id[number].opens_on for trip in planned if trip.day == later for number in trip.task_ids
        )
        assert first > earlier


def test_what_fits_together_goes_together(in_house: Cast) -> None:
    installed = date(2024, 6, 20)
    make_heater(in_house.house, tag="Y-1", installed_earliest=installed, installed_latest=installed)
    services.roll_forward(in_house.house, TODAY)
    laid = visits.plan_visits(in_house.building, TODAY)
    assert laid.tasks == Task.objects.filter(visit__isnull=False).count() > 5
    before = list(Task.objects.order_by("pk").values_list("pk", "visit_id"))
    assert visits.plan_visits(in_house.building, TODAY) == laid
    assert list(Task.objects.order_by("pk").values_list("pk", "visit_id")) == before
    assert laid.visits <= 3


def test_a_visit_moved_by_hand_stays(in_house: Cast) -> None:
    services.roll_forward(in_house.house, TODAY)
    visits.plan_visits(in_house.building, TODAY)
    visit = Visit.objects.first()
    tasks = set(visit.tasks.values_list("pk", flat=True))
    with pytest.raises(services.CareRefused):
        visits.move_visit(visit, date(2026, 6, 9), " ")
    visits.move_visit(visit, date(2026, 6, 9), "The caretaker is away")
    visits.plan_visits(in_house.building, TODAY)
    visit.refresh_from_db()
    assert (visit.day, visit.by_hand) == (date(2026, 6, 9), True)
    assert set(visit.tasks.values_list("pk", flat=True)) == tasks
    assert HistoryEntry.objects.get(verb="visit moved").reason == "The caretaker is away"


def test_through_the_pages(cast: Cast, time_machine: Any) -> None:
    time_machine.move_to("2026-06-01T18:00:00+00:00", tick=False)
    from fleet.estate.scope import scope_of_organisation, scoped

    with scoped(scope_of_organisation(cast.house)):
        services.roll_forward(
            cast.house, date(2025, 4, 1)
        )  # care is kept here since then: some of it is late now
        services.roll_forward(cast.house)
    client = cast.client(cast.technician)
    page = client.post(f"/work/buildings/{cast.building.pk}/visits/plan/", follow=True).content.decode()
    assert "Monday, 1 Jun 2026" in page
    assert "Try the relief valve" in page
    with scoped(scope_of_organisation(cast.house)):
        visit = Visit.objects.first()
    moved = client.post(
        f"/work/visits/{visit.pk}/move/", {"day": "2026-06-03", "reason": "rain"}, follow=True
    )
    assert "Wednesday, 3 Jun 2026" in moved.content.decode()
    assert (
        "Right would be"
        in client.post(
            f"/work/visits/{visit.pk}/move/", {"day": "x", "reason": "rain"}, follow=True
        ).content.decode()
    )
    outsider = cast.client(cast.outsider)
    assert (
        outsider.post(f"/work/visits/{visit.pk}/move/", {"day": "2026-06-03", "reason": "x"}).status_code
        == 404
    )
    assert outsider.post(f"/work/buildings/{cast.building.pk}/visits/plan/").status_code == 404


def test_the_notice_says_when_and_how_long_the_hot_water_is_off(cast: Cast) -> None:
    from fleet.estate.scope import scope_of_organisation, scoped

    with scoped(scope_of_organisation(cast.house)):
        services.roll_forward(
            cast.house, date(2025, 4, 1)
        )  # care is kept here since then: some of it is late now
        services.roll_forward(cast.house, TODAY)
        visits.plan_visits(cast.building, TODAY)
        renewal = Task.objects.get(kind="relief_valve_renewal", state="open")
        look = Task.objects.get(kind="anode_inspection", state="open")
        assert renewal.visit_id == look.visit_id
        off = [one for one in Task.objects.filter(visit=renewal.visit_id) if one.task_kind.hot_water_off]
        assert {one.heater_id for one in off} == {renewal.heater_id}
    page = cast.client(cast.technician).get(f"/work/visits/{renewal.visit_id}/notice/").content.decode()
    assert "Monday, 1 June 2026" in page
    hours, minutes = divmod(sum(one.task_kind.minutes for one in off), 60)
    assert hours > 1
    assert minutes
    assert f"about {hours} hours and {minutes} minutes at each heater" in page
    assert cast.client(cast.outsider).get(f"/work/visits/{renewal.visit_id}/notice/").status_code == 404
