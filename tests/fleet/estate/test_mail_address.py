"""A person changes the address that she signs in with."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any
from urllib.parse import urlsplit

import pytest
import time_machine
from django.contrib.auth.tokens import default_token_generator
from django.core import mail
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlsafe_base64_encode

from fleet.estate.background import work_off
from fleet.estate.models import FormerAddress, Person, SecurityEvent
from fleet.estate.privacy import erase_person, personal_data
from fleet.estate.scope import unscoped
from tests.conftest import Cast
from tests.fleet.estate.test_second_factor import OWNER, RIGHT, signed_in

NEW = "new-owner@almanac.example"
ASK = "/account/address/"


def confirmed(account: str = OWNER) -> Client:
    """Signed in, and asked for the password again as the page wants it."""
    client = signed_in(account)
    asked = client.get(ASK)
    assert asked["Location"].startswith(reverse("account_reauthenticate"))
    assert client.post(asked["Location"], {"password": RIGHT})["Location"] == ASK
    return client


def link_for(client: Client, email: str = NEW) -> str:
    """Ask, and take the link out of the mail; empty where none was sent."""
    mail.outbox.clear()
    assert client.post(ASK, {"email": email}).status_code == 200
    work_off()
    sent = [one for one in mail.outbox if one.to == [email]]
    found = re.search(r"https?://\S+", sent[0].body) if sent else None
    return urlsplit(found[0]).path if found else ""


def test_the_address_changes_by_a_link_to_the_new_one(cast: Cast) -> None:
    client, elsewhere = confirmed(), signed_in()
    link = link_for(client, NEW)
    cast.owner.refresh_from_db()
    assert cast.owner.email == OWNER  # asking alone changes nothing
    assert NEW in client.get(link).content.decode()
    cast.owner.refresh_from_db()
    assert cast.owner.email == OWNER  # nor does following the link, as mail programs do
    mail.outbox.clear()
    assert client.post(link)["Location"] == reverse("estate:account")
    work_off()
    cast.owner.refresh_from_db()
    assert cast.owner.email == NEW
    assert client.get("/").status_code == 200
    assert elsewhere.get("/").status_code == 302
    assert [one.to for one in mail.outbox] == [[OWNER]]
    assert NEW not in mail.outbox[0].body  # whoever reads the old mail need not learn it
    assert signed_in(OWNER).get("/").status_code == 302
    assert signed_in(NEW).get("/").status_code == 200
    assert client.post(link).status_code == 404  # once
    with unscoped("reading the log"):
        told = list(SecurityEvent.objects.filter(words__contains="address for signing in"))
    assert len(told) == 2 and not any(NEW in event.words for event in told)


def test_nobody_learns_which_addresses_have_accounts(cast: Cast) -> None:
    client = confirmed()
    free = client.post(ASK, {"email": NEW})
    taken = client.post(ASK, {"email": "outsider@almanac.example"})
    words = [
        re.sub(rb'value="\w{64}"', b"", answer.content).replace(address, b"")
        for answer, address in ((free, NEW.encode()), (taken, b"outsider@almanac.example"))
    ]
    assert words[0] == words[1] and free.status_code == taken.status_code == 200
    work_off()
    assert [one.to for one in mail.outbox] == [[NEW]]


@pytest.mark.parametrize("who", ["planner", "stranger", "altered", "late", "new password"])
def test_the_link_opens_only_for_who_asked_and_for_an_hour(cast: Cast, who: str) -> None:
    client = confirmed()
    link = link_for(client)
    later = timezone.now()
    if who == "planner":
        client = signed_in("planner@almanac.example")
    elif who == "stranger":
        client = Client()
    elif who == "altered":
        link = link[:-4] + "xxx/"
    elif who == "late":
        later += timedelta(hours=1, seconds=5)
    else:
        cast.owner.set_password("ferns-in-a-kettle")
        cast.owner.save()
        client = cast.client(cast.owner)
    with time_machine.travel(later):
        answers = [client.get(link), client.post(link)]
    expected = 302 if who == "stranger" else 404
    assert [answer.status_code for answer in answers] == [expected, expected]
    cast.owner.refresh_from_db()
    assert cast.owner.email == OWNER


def test_an_address_taken_meanwhile_stays_with_whoever_took_it(cast: Cast) -> None:
    client = confirmed()
    link = link_for(client)
    Person.objects.create_user(NEW, RIGHT)
    answer = client.post(link)
    assert answer.status_code == 409
    assert b"has an account of its own" in answer.content
    cast.owner.refresh_from_db()
    assert cast.owner.email == OWNER


def test_asking_is_slowed_down(cast: Cast) -> None:
    client = confirmed()
    with time_machine.travel(timezone.now(), tick=False):
        answers = [client.post(ASK, {"email": f"{n}@almanac.example"}).status_code for n in range(8)]
    assert answers[:5] == [200] * 5 and 429 in answers[5:]


@pytest.mark.parametrize("wrong", ["", "nobody", OWNER.upper()])
def test_what_is_no_new_address_is_refused(cast: Cast, wrong: str) -> None:
    assert confirmed().post(ASK, {"email": wrong}).status_code == 400


def test_links_for_a_new_password_end_with_the_old_address(cast: Cast) -> None:
    cast.owner.refresh_from_db()
    number = urlsafe_base64_encode(str(cast.owner.pk).encode())
    reset = reverse("estate:new_password", args=[number, default_token_generator.make_token(cast.owner)])
    client = confirmed()
    client.post(link_for(client))
    cast.owner.refresh_from_db()
    page: Any = Client().get(reset, follow=True)
    assert not page.context["validlink"]


def test_erasing_takes_the_former_address_along(cast: Cast) -> None:
    client = confirmed("planner@almanac.example")
    with unscoped("an old entry"):
        SecurityEvent.objects.create(
            organisation=cast.house, kind="people", actor="x", words="Invited planner@almanac.example"
        )
    client.post(link_for(client))
    cast.planner.refresh_from_db()
    assert "planner@almanac.example" in str(personal_data(cast.planner))
    erase_person(cast.planner)
    assert not FormerAddress.objects.exists()
    with unscoped("reading the log"):
        assert not SecurityEvent.objects.filter(words__contains="planner@").exists()
