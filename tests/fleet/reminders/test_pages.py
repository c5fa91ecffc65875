"""The pages of reminders through the public door: wishes kept and refused, inbox, rules, a test mail."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from django.urls import reverse

from fleet.estate.happenings import announce
from fleet.estate.models import Happening, Membership
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.reminders import notes, preferences
from fleet.reminders.models import Correspondent, Delivery, EscalationRule, Preference
from tests.conftest import Cast
from tests.fleet.reminders.conftest import one_minute, people_mailed
from tests.sinks import MailSink

WISH = {
    "rhythm": "weekly",
    "hour": "6",
    "weekday": "2",
    "budget_day": "10",
    "quiet_from": "21",
    "quiet_until": "5",
    "alerts_by_mail": "on",
}


def test_a_wish_is_kept_for_all_and_for_one_property_and_dropped_again(cast: Cast) -> None:
    client = cast.client(cast.technician)
    client.post(reverse("reminders:wishes"), WISH)
    one = reverse("reminders:property_wish", args=[cast.property.pk])
    client.post(one, WISH | {"rhythm": "none"})
    own = preferences.own_preferences([cast.technician.pk])
    member = Membership.objects.get(person=cast.technician)
    assert (own.of(member, None).rhythm, own.of(member, cast.property.pk).rhythm) == ("weekly", "none")
    assert Correspondent.objects.get(person=cast.technician).look_again
    assert "no digest" in client.get(reverse("reminders:wishes")).content.decode()
    client.post(reverse("reminders:drop_wish", args=[cast.property.pk]))
    own = preferences.own_preferences([cast.technician.pk])
    assert own.of(member, cast.property.pk).rhythm == "weekly"


@pytest.mark.parametrize("wrong", [{"hour": "25"}, {"rhythm": "yearly"}, {"budget_day": "31"}])
def test_a_wish_that_cannot_be_changes_nothing(cast: Cast, wrong: dict[str, str]) -> None:
    answer = cast.client(cast.technician).post(reverse("reminders:wishes"), WISH | wrong)
    assert "errorlist" in answer.content.decode()
    with unscoped("looking"):
        assert not Preference.objects.exists()


def test_the_verb_refuses_what_the_form_would(cast: Cast) -> None:
    with pytest.raises(preferences.WishRefused, match="hour is 24; right would be 0 to 23"):
        preferences.set_preference(cast.owner, cast.house, None, {"rhythm": "daily", "hour": 24})


def test_a_foreign_property_does_not_exist(cast: Cast) -> None:
    foreign = cast.foreign_heater.position.building.property_id
    client = cast.client(cast.technician)
    assert client.get(reverse("reminders:property_wish", args=[foreign])).status_code == 404
    assert client.post(reverse("reminders:drop_wish", args=[foreign])).status_code == 404


def test_the_inbox_shows_what_happened_until_read_and_acted_on(cast: Cast, clock: Any) -> None:
    with scoped(scope_of_organisation(cast.house)):
        announce(
            "leak_reported", "1", "Leak <b>", organisation_id=cast.house.pk, property_id=cast.property.pk
        )
    one_minute()
    client = cast.client(cast.technician)
    page = client.get(reverse("reminders:inbox")).content.decode()
    assert "Leak &lt;b&gt;" in page
    assert "I act on this" in page
    with unscoped("looking"):
        note = preferences.Person.objects.get(pk=cast.technician.pk)
        number = Happening.objects.get().notes.get(person=note).pk
    client.post(reverse("reminders:take_on", args=[number]), {"words": "On my way"})
    client.post(reverse("reminders:read_all"))
    page = client.get(reverse("reminders:inbox")).content.decode()
    assert "Taken on by Technician" in page
    assert "All read." in page
    other = cast.client(cast.planner).post(reverse("reminders:take_on", args=[number]))
    assert other.status_code == 404


def test_a_note_of_a_property_she_sees_no_more_is_gone_from_the_inbox(cast: Cast, clock: Any) -> None:
    with scoped(scope_of_organisation(cast.house)):
        announce("leak_reported", "1", "A leak", organisation_id=cast.house.pk, property_id=cast.property.pk)
    one_minute()
    Membership.objects.filter(person=cast.technician).update(all_properties=False)
    page = cast.client(cast.technician).get(reverse("reminders:inbox")).content.decode()
    assert "A leak" not in page


def test_a_test_mail_goes_to_oneself_once_in_five_minutes(cast: Cast, mail: MailSink, clock: Any) -> None:
    client = cast.client(cast.planner)
    for _ in range(2):
        client.post(reverse("reminders:test_mail"))
    one_minute()
    assert people_mailed(mail) == ["planner"]


def test_without_a_mail_server_a_test_says_so(cast: Cast, settings: Any) -> None:
    settings.MAIL_SET_UP = False
    answer = cast.client(cast.planner).post(reverse("reminders:test_mail"), follow=True)
    assert "No mail server is set up" in answer.content.decode()
    with unscoped("looking"):
        assert not Delivery.objects.exists()


def test_an_owner_adds_and_removes_an_escalation_rule(cast: Cast) -> None:
    client, address = cast.client(cast.owner), reverse("reminders:escalation")
    client.post(address, {"kind": "", "place": "", "after_minutes": "30", "person": cast.planner.pk})
    assert "Planner" in client.get(address).content.decode()
    with unscoped("looking"):
        rule = EscalationRule.objects.get()
    assert (
        cast.client(cast.outsider).post(reverse("reminders:remove_rule", args=[rule.pk])).status_code == 404
    )
    wrong = client.post(address, {"after_minutes": "1", "person": cast.outsider.pk}).content.decode()
    assert wrong.count("errorlist") == 2
    never_urgent = {"kind": "warranty_ends", "after_minutes": "30", "person": cast.planner.pk}
    assert "errorlist" in client.post(address, never_urgent).content.decode()
    client.post(reverse("reminders:remove_rule", args=[rule.pk]))
    with unscoped("looking"):
        assert not EscalationRule.objects.exists()


@pytest.mark.parametrize(
    ("installed", "years", "ends"),
    [
        (date(2020, 2, 29), 6, "2026-02-28"),
        (date(2020, 3, 10), 6, "2026-03-10"),
        (date(2015, 9, 1), 10.5, "2026-03-01"),
    ],
)
def test_a_warranty_that_ends_within_two_months_is_noted_once(
    cast: Cast, clock: Any, installed: date, years: float, ends: str
) -> None:
    clock.move_to("2026-02-20T12:00:00Z")
    with scoped(scope_of_organisation(cast.house)):
        heater = cast.heater
        heater.installed_earliest = heater.installed_latest = installed
        heater.warranty_years = years
        heater.save()
        notes.note_warranties(cast.house)
        notes.note_warranties(cast.house)
        assert ends in Happening.objects.get(kind="warranty_ends").sentence


def test_a_warranty_far_off_or_over_is_not_noted(cast: Cast, clock: Any) -> None:
    for day in ("2026-01-01", "2026-05-04"):
        clock.move_to(f"{day}T12:00:00Z")
        with scoped(scope_of_organisation(cast.house)):
            cast.heater.warranty_years = 10  # ends 3 May 2026
            cast.heater.save()
            assert notes.note_warranties(cast.house) == 0


def test_a_contribution_is_noted_a_month_ahead_where_a_capital_plan_stands(cast: Cast, clock: Any) -> None:
    from fleet.planning.models import CapitalPlan, ForecastRun

    clock.move_to("2026-06-10T12:00:00Z")
    with scoped(scope_of_organisation(cast.house)):
        cast.property.fiscal_year_start_month = 7
        cast.property.save()
        assert notes.note_contributions(cast.house) == 0
        run = ForecastRun.objects.create(organisation=cast.house, as_of=date(2026, 6, 1), state="done")
        CapitalPlan.objects.create(organisation=cast.house, run=run, cap=1000, state="done")
        assert notes.note_contributions(cast.house) == 1
        assert "begins on 2026-07-01" in Happening.objects.get().sentence
