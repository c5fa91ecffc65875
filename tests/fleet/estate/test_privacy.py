"""A person's data: handed out whole and without secrets; erased so that nothing names her and the history stands."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import pytest
from django.apps import apps
from django.core.management import CommandError, call_command
from django.db import models
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fleet.estate import background, people, rounds
from fleet.estate.access import scope_of
from fleet.estate.history import record_change
from fleet.estate.models import HistoryEntry, Invitation, Job, Person, SecurityEvent
from fleet.estate.privacy import erase_person, links_to_person
from fleet.estate.scope import Scope, scope_of_organisation, scoped, unscoped
from tests.conftest import Cast

EMAIL, NAME = "technician@almanac.example", "Wilhelmina Quartz"


@pytest.fixture
def worked(cast: Cast) -> Cast:
    """The technician has signed in, changed a record, been changed and invited elsewhere."""
    cast.technician.name = NAME
    cast.technician.save()
    client = Client()
    client.post(
        reverse("pages:sign_in"), {"username": EMAIL, "password": "water-heater-9"}, REMOTE_ADDR="192.0.2.44"
    )
    with scoped(scope_of(cast.technician.memberships.get())):
        record_change(cast.heater, "changed", {"tag": ("a", "b")})
    with scoped(scope_of_organisation(cast.house)):
        people.change_member(cast.technician.memberships.get(), "planner")
    with scoped(scope_of_organisation(cast.other_house)):
        people.invite(cast.other_house, EMAIL, "viewer")
    return cast


def everything_stored() -> str:
    """All text of all tables."""
    found = []
    with unscoped("looking at all that is stored"):
        for model in apps.get_models():
            for row in model._base_manager.all():
                found += [str(getattr(row, field.attname)) for field in model._meta.concrete_fields]
    return "\n".join(found)


def test_erasing_leaves_nothing_that_names_her_and_the_history_stands(worked: Cast) -> None:
    before = everything_stored()
    assert NAME in before and EMAIL in before and "192.0.2.44" in before
    erase_person(worked.technician)
    after = everything_stored()
    assert NAME not in after and EMAIL not in after and "192.0.2.44" not in after
    with unscoped("looking"):
        entry = HistoryEntry.objects.get(subject_kind="heater")
        assert entry.changes == {"tag": ["a", "b"]}
        assert entry.actor == f"a former member (no. {worked.technician.pk})"
        assert (
            "from technician to planner" in SecurityEvent.objects.get(words__contains="from technician").words
        )


def test_she_cannot_sign_in_any_more_and_others_can(worked: Cast) -> None:
    erase_person(worked.technician)
    asked = {"username": EMAIL, "password": "water-heater-9"}
    assert Client().post(reverse("pages:sign_in"), asked).status_code == 200
    assert not worked.technician.memberships.exists()
    assert worked.client(worked.owner).get("/").status_code == 200
    assert worked.client(worked.owner).get(reverse("pages:history")).status_code == 200


def test_the_only_owner_is_not_erased(cast: Cast) -> None:
    answer = cast.client(cast.owner).post(
        reverse("estate:erase"), {"email": cast.owner.email, "password": "water-heater-9"}
    )
    assert answer.status_code == 400
    assert "only owner" in answer.content.decode()
    assert Person.objects.filter(email=cast.owner.email).exists()


def test_a_person_erases_herself_by_address_and_password(worked: Cast) -> None:
    client, address = worked.client(worked.technician), reverse("estate:erase")
    assert client.post(address, {"email": "x@y.example", "password": "water-heater-9"}).status_code == 400
    assert client.post(address, {"email": EMAIL, "password": "wrong"}).status_code == 400
    assert client.post(address, {"email": EMAIL, "password": "water-heater-9"}).status_code == 302
    assert client.get("/").status_code == 302


def test_the_operator_erases_by_command(worked: Cast, capsys: Any) -> None:
    with pytest.raises(CommandError, match="--yes"):
        call_command("erase_person", EMAIL)
    with pytest.raises(CommandError, match="Nobody"):
        call_command("erase_person", "x@y.example", "--yes")
    call_command("erase_person", EMAIL, "--yes")
    assert not Person.objects.filter(email=EMAIL).exists()


def test_the_file_holds_what_is_hers_and_no_secret(worked: Cast) -> None:
    answer = worked.client(worked.technician).get(reverse("estate:own_data"))
    told = json.loads(answer.content)
    assert told["person"]["email"] == EMAIL
    words = json.dumps(told)
    for part in ("192.0.2.44", "planner", "history", "invitations to your address"):
        assert part in words, part
    with unscoped("looking"):
        nonce = Invitation.objects.get(email=EMAIL).nonce
    assert nonce not in words and worked.technician.password not in words
    assert "owner@almanac.example" not in words


def test_every_link_to_a_person_either_goes_with_her_or_lets_go_of_her() -> None:
    links = list(links_to_person())
    assert len(links) > 10
    stuck = [
        f"{model._meta.label}.{field.name}"
        for model, field, goes in links
        if not goes and field.remote_field.on_delete is not models.SET_NULL
    ]
    assert stuck == [], (
        "Say CASCADE (the row is hers) or SET_NULL (the row is history) where a row names a person."
    )


def test_somebody_of_the_same_name_in_another_house_keeps_it(worked: Cast) -> None:
    worked.outsider.name = NAME
    worked.outsider.save()
    with scoped(Scope(scope_of(worked.outsider.memberships.get()).reaches, worked.outsider.pk, NAME)):
        record_change(worked.foreign_heater, "changed", {})
    with unscoped("only here"):
        Invitation.objects.all().delete()
    erase_person(worked.technician)
    with unscoped("looking"):
        assert HistoryEntry.objects.get(organisation=worked.other_house).actor == NAME


def test_old_things_go_by_the_settings_of_the_house(worked: Cast) -> None:
    address = reverse("estate:keeping")
    client = worked.client(worked.owner)
    form = client.get(address).context["form"]
    asked = {name: field.initial for name, field in form.fields.items()}
    assert client.post(address, asked | {"security_log": 30}).status_code == 400
    assert client.post(address, asked | {"security_log": 100}).status_code == 302
    with unscoped("making things old"):
        SecurityEvent.objects.update(at=timezone.now() - timedelta(days=200))
        mine = SecurityEvent.objects.filter(organisation=worked.house).count()
        theirs = SecurityEvent.objects.filter(organisation=worked.other_house).count()
        assert mine and theirs
        rounds.ask_for_rounds()
    background.work_off()
    with unscoped("looking"):
        assert not SecurityEvent.objects.filter(organisation=worked.house).exists()
        assert SecurityEvent.objects.filter(organisation=worked.other_house).count() == theirs
        assert Job.objects.get(organisation=worked.house, kind="retention").result == {"security_log": mine}
