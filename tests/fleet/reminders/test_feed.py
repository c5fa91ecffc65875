"""The calendar feed, read with the icalendar library: stable UIDs, versions that count up, cancellations."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from icalendar import Calendar

from fleet.care.models import Task, Visit
from fleet.care.services import override_due, skip_task
from fleet.estate.models import Membership
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.reminders import feed
from tests.conftest import Cast
from tests.fleet.reminders.conftest import add_task


@pytest.fixture
def address(due: Cast, settings: Any, clock: Any) -> str:
    settings.ADDRESS = ""
    return feed.new_address(due.technician, due.house)


def events(address: str) -> dict[str, Any]:
    answer = Client().get(address)
    assert answer.status_code == 200
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    calendar = Calendar.from_ical(answer.content)
    assert calendar["VERSION"] == "2.0"
    found = {str(event["UID"]): event for event in calendar.walk("VEVENT")}
    assert len(found) == len(calendar.walk("VEVENT"))
    return found


def test_due_work_stands_on_its_day_by_building_and_only_of_ones_own_house(address: str) -> None:
    found = sorted(events(address).values(), key=lambda event: event.decoded("DTSTART"))
    assert [event.decoded("DTSTART") for event in found] == [date(2026, 2, 1), date(2026, 3, 12)]
    assert [str(event["SUMMARY"]) for event in found] == ["Due: Alder Court, A (1)"] * 2
    assert {int(event["SEQUENCE"]) for event in found} == {0}
    assert found[0].decoded("DTEND") == date(2026, 2, 2)


def test_reading_it_again_changes_nothing(address: str, clock: Any) -> None:
    first = Client().get(address).content
    clock.shift(7200)
    assert Client().get(address).content == first


def test_a_visit_that_moves_keeps_its_uid_and_counts_up(address: str, due: Cast) -> None:
    with scoped(scope_of_organisation(due.house)):
        visit = Visit.objects.create(organisation=due.house, building=due.building, day=date(2026, 3, 20))
        Task.objects.filter(kind="flush").update(visit=visit)
    before = {uid for uid, event in events(address).items() if "Visit" in event["SUMMARY"]}
    assert len(before) == 1
    with scoped(scope_of_organisation(due.house)):
        Visit.objects.update(day=date(2026, 3, 24))
    moved = events(address)[before.pop()]
    assert moved.decoded("DTSTART") == date(2026, 3, 24)
    assert (int(moved["SEQUENCE"]), str(moved["STATUS"])) == (1, "CONFIRMED")


def test_what_is_done_or_moved_away_is_cancelled_and_may_come_back(
    address: str, due: Cast, clock: Any
) -> None:
    before = events(address)
    with scoped(scope_of_organisation(due.house)):
        task = Task.objects.get(kind="anode_inspection")
        override_due(task, date(2026, 4, 2), "The crew is away")
    after = events(address)
    assert set(before) < set(after)
    gone = next(event for event in after.values() if str(event["STATUS"]) == "CANCELLED")
    assert (gone.decoded("DTSTART"), int(gone["SEQUENCE"])) == (date(2026, 3, 12), 1)
    with scoped(scope_of_organisation(due.house)):
        override_due(task, date(2026, 3, 12), "The crew is back")
    back = events(address)[str(gone["UID"])]
    assert (str(back["STATUS"]), int(back["SEQUENCE"])) == ("CONFIRMED", 2)
    with scoped(scope_of_organisation(due.house)):
        skip_task(task, "Not needed", date(2026, 3, 9))
    assert str(events(address)[str(gone["UID"])]["STATUS"]) == "CANCELLED"
    clock.shift(timedelta(days=feed.CANCELLED_FOR_DAYS + 1))
    assert str(gone["UID"]) not in events(address)


def test_a_renewed_or_closed_address_and_one_whose_person_left_do_not_exist(address: str, due: Cast) -> None:
    renewed = feed.new_address(due.technician, due.house)
    assert Client().get(address).status_code == 404
    assert Client().get(renewed).status_code == 200
    Membership.objects.filter(person=due.technician).delete()
    assert Client().get(renewed).status_code == 404
    Membership.objects.create(organisation=due.house, person=due.technician, role="technician")
    assert Client().get(renewed).status_code == 200
    feed.close_address(due.technician, due.house)
    assert Client().get(renewed).status_code == 404
    assert Client().get("/reminders/calendar/guess.ics").status_code == 404


def test_someone_limited_to_other_properties_sees_none_of_it(address: str, due: Cast) -> None:
    Client().get(address)
    Membership.objects.filter(person=due.technician).update(all_properties=False)
    assert events(address) == {}


def test_text_of_the_record_cannot_add_lines_to_the_calendar(address: str, due: Cast) -> None:
    with scoped(scope_of_organisation(due.house)):
        due.building.name = "A\r\nATTENDEE:mailto:spy@evil.example\nBEGIN:VALARM"
        due.building.save()
        add_task(due.heater, date(2026, 5, 1), "relief_valve_test")
    for event in events(address).values():
        assert "ATTENDEE" not in event
        assert not event.walk("VALARM")


def test_the_secret_is_shown_once_and_only_its_digest_is_kept(due: Cast, clock: Any) -> None:
    client = cast_client = due.client(due.technician)
    page = client.post(reverse("reminders:new_calendar")).content.decode()
    secret = page.partition("/reminders/calendar/")[2].partition(".ics")[0]
    assert len(secret) > 40
    with scoped(scope_of_organisation(due.house)):
        assert secret not in str(feed.CalendarFeed.objects.values())
    assert secret not in cast_client.get(reverse("reminders:wishes")).content.decode()
