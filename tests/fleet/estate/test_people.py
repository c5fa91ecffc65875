"""People come in by invitation, are given a role, and go; the organisation always keeps an owner."""

from __future__ import annotations

import html
import re
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.core import mail
from django.core.exceptions import ValidationError
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fleet.estate import background, people
from fleet.estate.models import HistoryEntry, Invitation, Membership, Person, SecurityEvent
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from tests.conftest import Cast

PASSWORD = "a-kettle-of-ferns"


def invite(cast: Cast, email: str = "newcomer@almanac.example", role: str = "planner", **fields: Any) -> Any:
    asked = {"email": email, "role": role, "all_properties": "yes", **fields}
    return cast.client(cast.owner).post(reverse("estate:invite"), asked)


def link_in_mail() -> str:
    background.work_off()
    found = re.search(r"http://testserver(/\S+)", str(mail.outbox[-1].body))
    assert found
    return found[1]


@pytest.mark.django_db(transaction=True)
def test_an_invitation_by_mail_lets_a_new_person_in_once(cast: Cast) -> None:
    assert invite(cast)["Location"] == reverse("estate:people")
    link = link_in_mail()
    assert mail.outbox[-1].to == ["newcomer@almanac.example"]
    client = Client()
    assert b"Alder Homes" in client.get(link).content
    asked = {"name": "New Comer", "password1": PASSWORD, "password2": PASSWORD}
    assert client.post(link, asked).status_code == 302
    assert client.get(reverse("pages:portfolio")).status_code == 200
    membership = Membership.objects.get(person__email="newcomer@almanac.example")
    assert (membership.organisation, membership.role, membership.all_properties) == (
        cast.house,
        "planner",
        True,
    )
    again = Client().get(link)
    assert again.status_code == 404
    assert b"closed" in again.content


def test_without_mail_the_link_is_shown_once_to_the_owner(cast: Cast, settings: Any) -> None:
    settings.MAIL_SET_UP = False
    client = cast.client(cast.owner)
    client.post(
        reverse("estate:invite"), {"email": "x@almanac.example", "role": "viewer", "all_properties": "yes"}
    )
    first = client.get(reverse("estate:people")).content.decode()
    found = re.search(r"http://testserver(/join/[^\"]+)", first)
    assert found
    assert "/join/" not in client.get(reverse("estate:people")).content.decode()
    assert Client().get(found[1]).status_code == 200
    assert mail.outbox == []


def secret(cast: Cast, **values: Any) -> tuple[Invitation, str]:
    with scoped(scope_of_organisation(cast.house)):
        row = people.invite(
            cast.house, values.pop("email", "x@almanac.example"), values.pop("role", "viewer"), **values
        )
    return row, reverse("estate:join", args=[people.secret_of(row)])


def test_a_link_ends_after_a_week_when_withdrawn_and_when_renewed(cast: Cast) -> None:
    row, link = secret(cast)
    with time_machine.travel(timezone.now() + timedelta(days=8)):
        assert Client().get(link).status_code == 404
    _, second = secret(cast)
    assert Client().get(link).status_code == 404
    assert Client().get(second).status_code == 200
    cast.client(cast.owner).post(reverse("estate:withdraw_invitation", args=[row.pk]))
    assert Client().get(second).status_code == 404
    assert Client().get(second[:-3] + "abc/").status_code == 404


def test_a_person_with_an_account_signs_in_and_accepts(cast: Cast) -> None:
    _, link = secret(cast, email=cast.outsider.email, role="technician")
    stranger = Client().get(link).content.decode()
    assert "Sign in and accept" in stranger and 'name="password1"' not in stranger
    wrong = cast.client(cast.planner)
    assert "another address" in wrong.get(link).content.decode()
    assert wrong.post(link).status_code == 400
    right = cast.client(cast.outsider)
    assert right.post(link).status_code == 302
    assert {row.role for row in cast.outsider.memberships.all()} == {"owner", "technician"}


def test_an_invitation_can_be_for_some_properties_only(cast: Cast) -> None:
    row, link = secret(cast, property_ids=[cast.property.pk])
    asked = {"name": "N", "password1": PASSWORD, "password2": PASSWORD}
    client = Client()
    client.post(link, asked)
    membership = Membership.objects.get(person__email=row.email)
    with unscoped("looking"):
        assert list(membership.properties.values_list("pk", flat=True)) == [cast.property.pk]
        from tests.conftest import make_heater

        other = make_heater(cast.house, "Cedar Yard", "C-1")
    assert client.get(reverse("pages:heater", args=[cast.heater.pk])).status_code == 200
    assert client.get(reverse("pages:heater", args=[other.pk])).status_code == 404


def test_where_properties_are_many_they_are_named(cast: Cast, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fleet.estate.choosing.MOST_LISTED", 0)
    answer = invite(cast, all_properties="no", properties="Alder Court\nBirch Row")
    assert answer.status_code == 400
    page = html.unescape(answer.content.decode())
    assert "No property here is called 'Birch Row'" in page and "Alder Court" in page
    assert invite(cast, all_properties="no", properties=" Alder Court \r\n\r\n").status_code == 302
    with scoped(scope_of_organisation(cast.house)):
        assert list(Invitation.objects.get().properties.all()) == [cast.property]
        seat = Membership.objects.get(person=cast.technician)
        people.change_member(seat, "technician", [cast.property.pk])
    assert "Alder Court</textarea>" in cast.client(cast.owner).get(f"/people/{seat.pk}/").content.decode()


def test_a_property_of_another_house_cannot_be_given(cast: Cast) -> None:
    foreign = cast.foreign_heater.position.building.property_id
    answer = invite(cast, all_properties="no", properties=[foreign])
    assert answer.status_code == 400
    with unscoped("looking"):
        assert not Invitation.objects.exists()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"email": "no-address"}, "valid email"),
        ({"role": "king"}, "valid choice"),
        ({"email": "planner@almanac.example"}, "already belongs"),
        ({"all_properties": "no"}, "at least one property"),
    ],
)
def test_a_wrong_invitation_says_what_is_wrong(cast: Cast, change: dict[str, Any], words: str) -> None:
    answer = invite(cast, **change)
    assert answer.status_code == 400
    assert words in answer.content.decode()


def test_a_role_holds_from_the_next_page_on(cast: Cast) -> None:
    client = cast.client(cast.planner)
    assert client.get(reverse("heaters:import_start")).status_code == 200
    row = cast.planner.memberships.get()
    asked = {"role": "viewer", "all_properties": "yes"}
    assert cast.client(cast.owner).post(reverse("estate:member", args=[row.pk]), asked).status_code == 302
    assert client.get(reverse("heaters:import_start")).status_code == 403


def test_removing_a_person_leaves_her_history(cast: Cast) -> None:
    technician = cast.client(cast.technician)
    form = technician.get(reverse("pages:edit_heater", args=[cast.heater.pk])).context["form"]
    asked = {name: form[name].value() or "" for name in form.fields} | {"tag": "H-1b"}
    assert technician.post(reverse("pages:edit_heater", args=[cast.heater.pk]), asked).status_code == 302
    row = cast.technician.memberships.get()
    cast.client(cast.owner).post(reverse("estate:remove_member", args=[row.pk]))
    assert technician.get(reverse("pages:portfolio")).status_code == 403
    with unscoped("looking"):
        entry = HistoryEntry.objects.get(subject_kind="heater")
    assert (entry.actor, entry.person) == ("Technician", cast.technician)


def test_the_last_owner_stays(cast: Cast) -> None:
    client, row = cast.client(cast.owner), cast.owner.memberships.get()
    page = client.post(reverse("estate:remove_member", args=[row.pk]), follow=True).content.decode()
    assert "only owner" in page
    asked = {"role": "viewer", "all_properties": "yes"}
    assert client.post(reverse("estate:member", args=[row.pk]), asked).status_code == 400
    cast.planner.memberships.update(role="owner")
    assert client.post(reverse("estate:member", args=[row.pk]), asked).status_code == 302
    with scoped(scope_of_organisation(cast.house)), pytest.raises(ValidationError):
        people.remove_member(cast.planner.memberships.get())


@pytest.mark.parametrize("role", ["planner", "technician", "contractor"])
def test_only_owners_see_and_change_people(cast: Cast, role: str) -> None:
    client = cast.client(getattr(cast, role))
    row = cast.owner.memberships.get()
    for name, arguments in [
        ("people", []),
        ("invite", []),
        ("member", [row.pk]),
        ("organisation", []),
        ("security_log", []),
    ]:
        assert client.get(reverse(f"estate:{name}", args=arguments)).status_code == 403, name
    assert client.post(reverse("estate:remove_member", args=[row.pk])).status_code == 403


def test_members_of_another_house_do_not_exist(cast: Cast) -> None:
    client, row = cast.client(cast.owner), cast.outsider.memberships.get()
    assert client.get(reverse("estate:member", args=[row.pk])).status_code == 404
    assert client.post(reverse("estate:remove_member", args=[row.pk])).status_code == 404
    assert cast.outsider.memberships.count() == 1


def test_the_security_log_tells_the_owner_and_holds_no_secret(cast: Cast) -> None:
    row, link = secret(cast)
    Client().post(link, {"name": "N", "password1": PASSWORD, "password2": PASSWORD})
    member = Membership.objects.get(person__email=row.email)
    with scoped(scope_of_organisation(cast.house)):
        people.change_member(member, "planner")
        people.remove_member(member)
    page = cast.client(cast.owner).get(reverse("estate:security_log")).content.decode()
    for words in (
        "Invited x@",
        "accepted the invitation",
        "from viewer to planner",
        "Removed x@",
        "Signed in",
    ):
        assert words in page, words
    with unscoped("looking"):
        kept = " ".join(map(str, SecurityEvent.objects.values_list("words", "actor", "address")))
    assert PASSWORD not in kept and people.secret_of(row) not in kept and row.nonce not in kept
    assert b"x@almanac" not in cast.client(cast.outsider).get(reverse("estate:security_log")).content


def test_renaming_the_organisation(cast: Cast) -> None:
    client, address = cast.client(cast.owner), reverse("estate:organisation")
    assert client.post(address, {"name": "Alder Houses"}).status_code == 302
    assert b"Alder Houses" in client.get(address).content
    assert client.post(address, {"name": cast.other_house.name}).status_code == 400
    assert client.post(address, {"name": " "}).status_code == 400
    assert Person.objects.count() == 5
