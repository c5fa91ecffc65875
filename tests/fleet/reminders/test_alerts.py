"""What happens is told at once to those who may hear of it, once, and to the next person when nobody acts."""

from __future__ import annotations

from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone

from fleet.care import labels, services
from fleet.care.models import Task
from fleet.estate.happenings import announce, take_on
from fleet.estate.models import Happening, Membership, Organisation, Person
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.reminders import escalation, preferences
from fleet.reminders.models import Delivery, InboxNote
from tests.conftest import Cast
from tests.fleet.reminders.conftest import add_task, one_minute, people_mailed
from tests.sinks import MailSink


def leak(cast: Cast, words: str = "water on the floor") -> None:
    with scoped(scope_of_organisation(cast.house, actor="someone at the label")):
        labels.report_leak(cast.heater, words, timezone.now())


def noted(person: Person) -> list[str]:
    with unscoped("looking into an inbox"):
        return list(InboxNote.objects.filter(person=person).values_list("happening__kind", flat=True))


def test_a_leak_is_mailed_and_noted_at_once_to_all_who_work_there_and_to_nobody_else(
    cast: Cast, mail: MailSink, clock: Any
) -> None:
    leak(cast)
    one_minute()
    one_minute()
    assert people_mailed(mail) == ["contractor", "owner", "planner", "technician"]
    assert noted(cast.technician) == ["leak_reported"]
    assert noted(cast.outsider) == []


def test_an_unsafe_finding_stops_the_task_and_is_told_with_the_page_that_shows_it(
    cast: Cast, mail: MailSink, clock: Any
) -> None:
    task: Task = add_task(cast.heater, timezone.now().date())
    with scoped(scope_of_organisation(cast.house)):
        services.report_unsafe(task, "Smell of gas", timezone.now())
    one_minute()
    text = mail.parsed()[0].get_body(("plain",)).get_content()
    assert "Smell of gas" in text
    assert f"https://almanac.example/work/heaters/{cast.heater.pk}/" in text
    assert "call for help from a safe place" in text


def test_a_day_in_it_is_written_as_each_reader_writes_days(cast: Cast, mail: MailSink, clock: Any) -> None:
    cast.client(cast.owner).post("/reading-habits/", {"units": "us", "days": "us", "colours": "system"})
    with scoped(scope_of_organisation(cast.house)):
        kind, sentence = "safety_task_missed", "Flush sediment was due 2026-03-01."
        announce(kind, "1", sentence, organisation_id=cast.house.pk, property_id=cast.property.pk)
    one_minute()
    told = {message["To"].split("@")[0].split("<")[-1]: message for message in mail.parsed()}
    for name, day, now in (("owner", "03/01/2026", "03/09/2026"), ("planner", "1 Mar 2026", "9 Mar 2026")):
        assert f"due {day}." in told[name]["Subject"]
        for form in ("plain", "html"):
            text = told[name].get_body((form,)).get_content()
            assert f"due {day}." in text
            assert f"{now}, " in text
            assert "2026-03-01" not in text


def test_someone_limited_to_another_property_is_not_told(cast: Cast, mail: MailSink, clock: Any) -> None:
    Membership.objects.filter(person=cast.technician).update(all_properties=False)
    leak(cast)
    one_minute()
    assert "technician" not in people_mailed(mail)
    assert noted(cast.technician) == []


def test_a_company_is_told_where_work_was_granted_and_only_there(
    cast: Cast, mail: MailSink, clock: Any
) -> None:
    from datetime import timedelta

    from fleet.estate.grants import code_of, grant_access, revoke_access
    from fleet.estate.scope import Level

    company = Organisation.objects.create(name="Cedar Plumbing (invented)", kind="company")
    fitter = Person.objects.create_user("fitter@almanac.example", "water-heater-9")
    Membership.objects.create(organisation=company, person=fitter, role="technician")
    with scoped(scope_of_organisation(company)):
        code = code_of(company)
    with scoped(scope_of_organisation(cast.house)):
        until = timezone.now().date() + timedelta(days=30)
        survey = grant_access(cast.house, code, [cast.property.pk], Level.SURVEY, until)
    leak(cast, "first")
    one_minute()
    assert "fitter" not in people_mailed(mail)
    with scoped(scope_of_organisation(cast.house)):
        revoke_access(survey)
        grant = grant_access(cast.house, code, [cast.property.pk], Level.WORK)
    leak(cast, "second")
    one_minute()
    assert people_mailed(mail).count("fitter") == 1
    with scoped(scope_of_organisation(cast.house)):
        revoke_access(grant)
    leak(cast, "third")
    one_minute()
    assert people_mailed(mail).count("fitter") == 1


def test_whoever_lost_her_role_after_it_was_written_down_is_not_told(
    cast: Cast, mail: MailSink, clock: Any
) -> None:
    mail.behave = lambda: "refuse now"
    leak(cast)
    one_minute()
    assert mail.raw == []
    Membership.objects.filter(person=cast.planner).delete()
    Person.objects.filter(pk=cast.technician.pk).update(is_active=False)
    mail.behave = lambda: "take"
    clock.shift(3600)
    one_minute()
    assert people_mailed(mail) == ["contractor", "owner"]


def test_quiet_hours_hold_an_alert_back_only_for_whom_asked_for_that(
    cast: Cast, mail: MailSink, clock: Any
) -> None:
    wish = {"rhythm": "none", "quiet_from": 20, "quiet_until": 6}
    preferences.set_preference(cast.planner, cast.house, None, wish | {"alerts_wait": True})
    preferences.set_preference(cast.technician, cast.house, None, wish)
    clock.move_to("2026-03-10T09:00:00Z")  # 3:00 in Denver
    leak(cast)
    one_minute()
    assert "technician" in people_mailed(mail)
    assert "planner" not in people_mailed(mail)
    clock.move_to("2026-03-10T12:00:00Z")  # 6:00
    one_minute()
    assert "planner" in people_mailed(mail)


def test_a_kind_that_needs_planning_is_told_to_planners_only(cast: Cast, mail: MailSink, clock: Any) -> None:
    with scoped(scope_of_organisation(cast.house)):
        announce("contract_deadline", "7", "A contract ends.", organisation_id=cast.house.pk)
    one_minute()
    assert people_mailed(mail) == ["owner", "planner"]


def test_a_note_that_is_not_urgent_stands_in_the_inbox_and_in_the_next_digest_once(
    cast: Cast, mail: MailSink, clock: Any
) -> None:
    daily = {"rhythm": "daily", "hour": 7}
    preferences.set_preference(cast.planner, cast.house, None, daily)
    for person in (cast.owner, cast.technician, cast.contractor):
        preferences.set_preference(person, cast.house, None, {"rhythm": "none"})
    with scoped(scope_of_organisation(cast.house)):
        announce(
            "warranty_ends",
            "7",
            "A warranty ends.",
            organisation_id=cast.house.pk,
            property_id=cast.property.pk,
            urgent=False,
        )
    one_minute()
    assert mail.raw == []
    assert noted(cast.planner) == ["warranty_ends"]
    for moment in ("2026-03-10T13:01:00Z", "2026-03-11T13:01:00Z"):
        clock.move_to(moment)
        one_minute()
    assert people_mailed(mail) == ["planner"]
    assert "A warranty ends." in mail.parsed()[0].get_body(("plain",)).get_content()


def test_an_alert_on_which_nobody_acts_stands_before_all_that_came_later(
    cast: Cast, mail: MailSink, clock: Any
) -> None:
    leak(cast)
    one_minute()
    clock.move_to("2026-03-10T13:00:00Z")
    with scoped(scope_of_organisation(cast.house)):
        for key in ("1", "2"):
            announce(
                "warranty_ends", key, f"Warranty {key} ends.", organisation_id=cast.house.pk, urgent=False
            )
    one_minute()
    address = reverse("reminders:inbox")

    def order() -> list[int]:
        page = cast.client(cast.owner).get(address).content.decode()
        return [page.index(words) for words in (": “water on the floor”", "Warranty 2", "Warranty 1")]

    assert order() == sorted(order())
    with unscoped("taking it on"):
        note = InboxNote.objects.get(person=cast.owner, happening__kind="leak_reported")
    cast.client(cast.owner).post(reverse("reminders:take_on", args=[note.pk]))
    assert order()[0] == max(order()), "once somebody acts it stands where it came"


@pytest.fixture
def rule(cast: Cast) -> None:
    for person in (cast.planner, cast.technician, cast.contractor):
        preferences.set_preference(person, cast.house, None, {"rhythm": "none", "alerts_by_mail": False})
    preferences.set_preference(cast.owner, cast.house, None, {"rhythm": "none"})
    with scoped(scope_of_organisation(cast.house)):
        escalation.add_rule(cast.house, cast.owner.pk, 30)
        with pytest.raises(escalation.RuleRefused, match="people"):
            escalation.add_rule(cast.house, cast.outsider.pk, 30)


def test_when_nobody_acts_the_next_person_is_told_once(
    cast: Cast, rule: None, mail: MailSink, clock: Any
) -> None:
    leak(cast)
    one_minute()
    clock.shift(29 * 60)
    one_minute()
    assert len(mail.raw) == 1
    clock.shift(60)
    one_minute()
    clock.shift(3600)
    one_minute()
    assert [message["Subject"].startswith("Nobody has acted yet") for message in mail.parsed()] == [
        False,
        True,
    ]
    with unscoped("looking"):
        assert InboxNote.objects.get(person=cast.owner).escalated


def test_taking_it_on_or_closing_the_matter_ends_the_escalation(
    cast: Cast, rule: None, mail: MailSink, clock: Any
) -> None:
    leak(cast, "first")
    leak(cast, "second")
    one_minute()
    with scoped(scope_of_organisation(cast.house)):
        first, second = Happening.objects.order_by("id")
        assert take_on(first)
        assert not take_on(first)
        report = labels.LeakReport.objects.get(pk=int(second.key))
        labels.answer_leak(report, "Valve shut, plumber on the way", timezone.now())
    clock.shift(3600)
    one_minute()
    assert len(mail.raw) == 2
    with unscoped("looking"):
        assert not Delivery.objects.filter(what__startswith="escalation").exists()
