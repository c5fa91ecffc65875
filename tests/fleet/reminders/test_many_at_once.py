"""Safety work late at very many properties, as on the day on which a record is taken in: one mail a person, not thousands."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from django.urls import reverse

from fleet.care import missed
from fleet.care.models import Task
from fleet.estate.models import Membership, Person, Property
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.reminders import fan_out, preferences
from fleet.reminders.models import Delivery, InboxNote
from tests.conftest import Cast, make_heater
from tests.fleet.reminders.conftest import add_task, one_minute, people_mailed
from tests.sinks import MailSink

LATE = date(2025, 1, 1)
PLACES = ("Alder Court", "Cedar Yard", "Dogwood Hill", "Elm Walk")


def late_at(cast: Cast, name: str) -> Property:
    with scoped(scope_of_organisation(cast.house)):
        heater = make_heater(cast.house, name, f"late at {name} {Task.objects.count()}")
        add_task(heater, LATE, "relief_valve_test")
        missed.announce_missed(cast.house)
        place: Property = heater.position.building.property
    return place


@pytest.fixture
def many(cast: Cast, clock: Any) -> Cast:
    for name in PLACES:
        late_at(cast, name)
    return cast


def text_to(mail: MailSink, person: Person) -> list[str]:
    return [one.get_body(("plain",)).get_content() for one in mail.parsed() if person.email in str(one["To"])]


def test_each_is_mailed_once_and_has_each_property_in_her_inbox(
    many: Cast, mail: MailSink, clock: Any
) -> None:
    one_minute()
    assert people_mailed(mail) == ["contractor", "owner", "planner", "technician"]
    [text] = text_to(mail, many.technician)
    assert "at Alder Court passed the last day" in text
    assert "The same goes for 3 more properties: they stand in your inbox." in text
    inbox = many.client(many.technician).get(reverse("reminders:inbox")).content.decode()
    assert all(name in inbox for name in PLACES)


def test_what_comes_after_the_mail_has_left_is_mailed_too(many: Cast, mail: MailSink, clock: Any) -> None:
    one_minute()
    late_at(many, "Fir Lane")
    one_minute()
    _, second = text_to(mail, many.technician)
    assert "at Fir Lane passed the last day" in second
    assert "The same" not in second


def test_what_comes_while_the_mail_waits_is_spoken_of_in_it(many: Cast, mail: MailSink, clock: Any) -> None:
    fan_out.tell_next()
    clock.shift(30)
    late_at(many, "Fir Lane")
    one_minute()
    [text] = text_to(mail, many.technician)
    assert "The same goes for 4 more properties" in text


def test_what_comes_while_the_mail_is_put_off_has_its_own_and_is_not_counted_twice(
    many: Cast, mail: MailSink, clock: Any
) -> None:
    mail.behave = lambda: "refuse now"
    one_minute()
    clock.shift(30)
    late_at(many, "Fir Lane")
    fan_out.tell_next()
    mail.behave = lambda: "take"
    clock.shift(3600)
    one_minute()
    first, second = sorted(text_to(mail, many.technician))
    assert "at Alder Court" in first and "The same goes for 3 more properties" in first
    assert "at Fir Lane" in second and "The same" not in second


def test_a_mail_names_and_counts_only_what_she_may_see_when_it_leaves(
    many: Cast, mail: MailSink, clock: Any
) -> None:
    fan_out.tell_next()
    seen = Membership.objects.get(person=many.technician)
    seen.all_properties = False
    seen.save()
    with scoped(scope_of_organisation(many.house)):
        seen.properties.set(Property.objects.filter(name__in=["Cedar Yard", "Elm Walk"]))
    one_minute()
    [text] = text_to(mail, many.technician)
    assert "at Cedar Yard passed the last day" in text
    assert "The same goes for 1 more property: it stands in your inbox." in text
    assert "Alder Court" not in text


def test_who_sees_a_part_hears_of_that_part(many: Cast, mail: MailSink, clock: Any) -> None:
    seen = Membership.objects.get(person=many.technician)
    seen.all_properties = False
    seen.save()
    with scoped(scope_of_organisation(many.house)):
        seen.properties.set(Property.objects.filter(name="Dogwood Hill"))
    one_minute()
    [text] = text_to(mail, many.technician)
    assert "at Dogwood Hill passed the last day" in text
    assert "The same" not in text
    with unscoped("looking into an inbox"):
        assert InboxNote.objects.filter(person=many.technician).count() == 1


def test_a_mail_that_may_wait_until_morning_holds_up_none_that_may_not(
    cast: Cast, mail: MailSink, clock: Any
) -> None:
    clock.move_to("2026-03-10T09:00:00Z")  # 3:00 in Denver
    alder, cedar = late_at(cast, "Alder Court"), late_at(cast, "Cedar Yard")
    wish = {"rhythm": "none", "quiet_from": 20, "quiet_until": 6}
    preferences.set_preference(cast.technician, cast.house, alder, wish | {"alerts_wait": True})
    preferences.set_preference(cast.technician, cast.house, cedar, wish)
    with scoped(scope_of_organisation(cast.house)):
        Property.objects.update(time_zone="America/Denver")
    one_minute()
    [text] = text_to(mail, cast.technician)
    assert "at Cedar Yard passed the last day" in text


def test_reading_who_hears_does_not_grow_with_the_properties(
    cast: Cast, django_assert_max_num_queries: Any
) -> None:
    for number in range(30):
        late_at(cast, f"Place {number}")
    with django_assert_max_num_queries(60):
        fan_out.tell_next()
    with unscoped("counting mails"):
        assert Delivery.objects.count() == 4
