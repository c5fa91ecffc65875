"""The digest: one mail a day at most, what is due and late in what she may see, at her hour of the property's clock."""

from __future__ import annotations

from datetime import date
from typing import Any

from fleet.estate.models import Membership, Property
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.reminders import clocks, preferences
from fleet.reminders.composing import Composer
from fleet.reminders.models import Correspondent, Delivery
from tests.conftest import Cast, make_heater
from tests.fleet.reminders.conftest import add_task, one_minute, people_mailed
from tests.sinks import MailSink

DAILY = {"rhythm": "daily", "hour": 7, "quiet_from": 20, "quiet_until": 6}


def only_daily(cast: Cast) -> None:
    """The technician hears daily, everybody else not at all."""
    for person in (cast.owner, cast.planner, cast.contractor):
        preferences.set_preference(person, cast.house, None, {"rhythm": "none"})
    preferences.set_preference(cast.outsider, cast.other_house, None, {"rhythm": "none"})
    preferences.set_preference(cast.technician, cast.house, None, DAILY)


def test_it_says_what_is_late_and_due_by_building_and_nothing_of_another_house(
    due: Cast, mail: MailSink, clock: Any
) -> None:
    only_daily(due)
    one_minute()
    assert mail.raw == []
    clock.move_to("2026-03-10T13:01:00Z")  # 7:01 in Denver, the day after
    one_minute()
    assert people_mailed(mail) == ["technician"]
    message = mail.parsed()[0]
    assert message["Subject"] == "Water heaters, 10 Mar 2026: 1 late, 1 due"
    text = message.get_body(("plain",)).get_content()
    assert "Alder Court" in text
    assert "A: 1 late, 1 due. " in text
    assert "Birch" not in text


def test_its_days_are_written_as_its_reader_writes_them(due: Cast, mail: MailSink, clock: Any) -> None:
    only_daily(due)
    due.client(due.technician).post("/reading-habits/", {"units": "us", "days": "us", "colours": "system"})
    one_minute()
    clock.move_to("2026-03-10T13:01:00Z")
    one_minute()
    message = mail.parsed()[0]
    assert message["Subject"].startswith("Water heaters, 03/10/2026: ")
    for form in ("plain", "html"):
        assert "The first: 02/01/2026." in message.get_body((form,)).get_content()


def test_one_a_day_however_often_the_sweep_runs(due: Cast, mail: MailSink, clock: Any) -> None:
    only_daily(due)
    one_minute()
    for moment in ("2026-03-10T13:01:00Z", "2026-03-10T13:02:00Z", "2026-03-10T20:00:00Z"):
        clock.move_to(moment)
        one_minute()
    assert len(mail.raw) == 1
    clock.move_to("2026-03-11T13:01:00Z")
    one_minute()
    assert len(mail.raw) == 2


def test_several_properties_with_their_own_hours_make_one_mail(due: Cast, mail: MailSink, clock: Any) -> None:
    """New York's 7:00 comes first; the mail of that day holds the other property too."""
    only_daily(due)
    with scoped(scope_of_organisation(due.house)):
        heater = make_heater(due.house, "Cedar Yard", "C-1")
        place = Property.objects.get(name="Cedar Yard")
        Property.objects.filter(pk=place.pk).update(time_zone="America/New_York")
    add_task(heater, date(2026, 2, 1))
    one_minute()
    for moment in ("2026-03-10T11:01:00Z", "2026-03-10T13:01:00Z"):
        clock.move_to(moment)
        one_minute()
    assert len(mail.raw) == 1
    text = mail.parsed()[0].get_body(("plain",)).get_content()
    assert "Alder Court" in text
    assert "Cedar Yard" in text


def test_a_property_may_have_a_rhythm_of_its_own(due: Cast, mail: MailSink, clock: Any) -> None:
    only_daily(due)
    preferences.set_preference(
        due.technician, due.house, due.property, DAILY | {"rhythm": "weekly", "weekday": 4}
    )
    with scoped(scope_of_organisation(due.house)):
        heater = make_heater(due.house, "Cedar Yard", "C-1")
    add_task(heater, date(2026, 2, 1))
    one_minute()
    clock.move_to("2026-03-10T14:01:00Z")
    one_minute()
    assert "Alder Court" not in mail.parsed()[0].get_body(("plain",)).get_content()
    clock.move_to("2026-03-13T14:01:00Z")  # Friday
    one_minute()
    assert "Alder Court" in mail.parsed()[1].get_body(("plain",)).get_content()


def test_a_day_with_nothing_due_brings_no_mail(cast: Cast, mail: MailSink, clock: Any) -> None:
    only_daily(cast)
    one_minute()
    clock.move_to("2026-03-10T13:01:00Z")
    one_minute()
    assert mail.raw == []
    with unscoped("looking"):
        assert Delivery.objects.get().words == "Nothing was due or late."


def test_after_days_of_standing_still_one_digest_comes_not_one_for_each_day(
    due: Cast, mail: MailSink, clock: Any
) -> None:
    only_daily(due)
    one_minute()
    clock.move_to("2026-03-15T04:00:00Z")
    one_minute()
    assert len(mail.raw) == 1
    clock.move_to("2026-03-15T14:00:00Z")
    one_minute()
    assert len(mail.raw) == 1
    clock.move_to("2026-03-16T14:00:00Z")
    one_minute()
    assert len(mail.raw) == 2


def test_whoever_lost_her_role_between_due_and_send_is_not_told(
    due: Cast, mail: MailSink, clock: Any
) -> None:
    only_daily(due)
    one_minute()
    clock.move_to("2026-03-10T13:01:00Z")
    clocks.write_due_digests()
    Membership.objects.filter(person=due.technician).delete()
    one_minute()
    assert mail.raw == []
    with unscoped("looking"):
        assert Delivery.objects.get().state == "not_told"


def test_whoever_lost_her_role_while_the_mail_was_being_written_is_not_told(
    due: Cast, mail: MailSink, clock: Any, monkeypatch: Any
) -> None:
    only_daily(due)
    one_minute()
    clock.move_to("2026-03-10T13:01:00Z")
    clocks.write_due_digests()
    compose = Composer.compose

    def compose_then_lose(self: Composer, row: Delivery) -> Any:
        result = compose(self, row)
        Membership.objects.filter(person=due.technician).delete()
        return result

    monkeypatch.setattr(Composer, "compose", compose_then_lose)
    one_minute()
    assert mail.raw == []


def test_someone_limited_to_one_property_is_told_of_that_one_only(
    due: Cast, mail: MailSink, clock: Any
) -> None:
    only_daily(due)
    with scoped(scope_of_organisation(due.house)):
        heater = make_heater(due.house, "Cedar Yard", "C-1")
        add_task(heater, date(2026, 2, 1))
        membership = Membership.objects.get(person=due.technician)
        membership.all_properties = False
        membership.save()
        membership.properties.set([heater.position.building.property])
    one_minute()
    clock.move_to("2026-03-10T13:01:00Z")
    one_minute()
    text = mail.parsed()[0].get_body(("plain",)).get_content()
    assert "Cedar Yard" in text
    assert "Alder Court" not in text


def test_one_who_works_for_two_houses_gets_one_mail_of_both(due: Cast, mail: MailSink, clock: Any) -> None:
    only_daily(due)
    Membership.objects.create(organisation=due.other_house, person=due.technician, role="technician")
    one_minute()
    clock.move_to("2026-03-10T13:01:00Z")
    one_minute()
    assert people_mailed(mail) == ["technician"]
    text = mail.parsed()[0].get_body(("plain",)).get_content()
    assert "Alder Court" in text
    assert "Birch Row" in text


def test_without_a_mail_server_nothing_is_written_into_the_outbox(
    due: Cast, clock: Any, settings: Any
) -> None:
    settings.MAIL_SET_UP = False
    only_daily(due)
    one_minute()
    clock.move_to("2026-03-10T13:01:00Z")
    one_minute()
    with unscoped("looking"):
        assert not Delivery.objects.exists()
    assert Correspondent.objects.get(person=due.technician).next_on == date(2026, 3, 11)


def test_a_change_of_wishes_in_the_minute_that_a_digest_is_due_does_not_lose_it(
    due: Cast, mail: MailSink, clock: Any
) -> None:
    only_daily(due)
    one_minute()
    clock.move_to("2026-03-10T13:01:00Z")
    clocks.look_again_at_members(due.house.pk)
    clocks.set_clocks()
    one_minute()
    assert people_mailed(mail) == ["technician"]
