"""Signing in: guesses are slowed down, nobody can lock somebody else out, and nothing tells which accounts exist."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.conf import settings
from django.contrib.auth import hashers
from django.core import mail
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from hypothesis import given
from hypothesis import strategies as st

from fleet.estate import background, throttle
from fleet.estate.models import DoorTries, Person, SecurityEvent
from fleet.estate.scope import unscoped
from tests.conftest import Cast

RIGHT = "water-heater-9"
OWNER = "owner@almanac.example"


def attempt(client: Client, password: str, account: str = OWNER, address: str = "198.51.100.7") -> Any:
    asked = {"username": account, "password": password}
    return client.post(reverse("pages:sign_in"), asked, REMOTE_ADDR=address)


def without_token(answer: Any) -> bytes:
    return re.sub(rb'(name="csrfmiddlewaretoken" value="\w+")|(value="[^"]*@[^"]*")', b"", answer.content)


def test_guessing_one_account_from_one_address_is_slowed_down(cast: Cast) -> None:
    client = Client()
    with time_machine.travel(timezone.now(), tick=False) as clock:  # on a slow machine the wait would be over
        assert [attempt(client, f"guess {n}").status_code for n in range(6)] == [200] * 6
        waiting = attempt(client, RIGHT)
        assert waiting.status_code == 429
        assert int(waiting["Retry-After"]) >= 1
        clock.shift(3)
        assert attempt(client, RIGHT).status_code == 302


def test_a_stranger_cannot_lock_an_owner_out_of_a_known_device(cast: Cast) -> None:
    phone = Client()
    assert attempt(phone, RIGHT, address="203.0.113.5").status_code == 302
    phone.post(reverse("pages:sign_out"))
    with time_machine.travel(timezone.now(), tick=False):
        for n in range(80):
            attempt(Client(), "guess", address=f"198.51.100.{n}")
        assert attempt(Client(), RIGHT, address="192.0.2.1").status_code == 429
        assert attempt(phone, RIGHT, address="203.0.113.5").status_code == 302


def test_a_mail_lets_the_owner_in_on_a_new_device_while_strangers_guess(
    cast: Cast, django_capture_on_commit_callbacks: Any
) -> None:
    for n in range(80):
        attempt(Client(), "guess", address=f"198.51.100.{n}")
    fresh = Client()
    assert attempt(fresh, RIGHT, address="192.0.2.1").status_code == 429
    fresh.post(reverse("estate:ask_for_password"), {"email": OWNER})
    background.work_off()
    link = re.search(r"http://testserver(/\S+)", str(mail.outbox[-1].body))
    assert link
    form = fresh.get(link[1])
    asked = {"new_password1": "ferns-in-a-kettle", "new_password2": "ferns-in-a-kettle"}
    assert fresh.post(form["Location"], asked).status_code == 302
    assert attempt(fresh, "ferns-in-a-kettle", address="192.0.2.1").status_code == 302
    assert fresh.get(link[1]).status_code == 200
    assert b"used, or is too old" in Client().get(link[1]).content


def test_an_unknown_account_gets_the_same_answer_at_every_try(cast: Cast) -> None:
    known, unknown = Client(), Client()
    for n in range(8):
        one = attempt(known, f"guess {n}", address="198.51.100.1")
        other = attempt(unknown, f"guess {n}", "nobody@almanac.example", address="198.51.100.2")
        assert one.status_code == other.status_code
        assert without_token(one) == without_token(other)
    one = known.post(reverse("estate:ask_for_password"), {"email": OWNER})
    other = unknown.post(reverse("estate:ask_for_password"), {"email": "nobody@almanac.example"})
    assert one.content.replace(b"owner@", b"nobody@") == other.content
    with unscoped("looking"):
        background.work_off()
    assert [message.to for message in mail.outbox] == [[OWNER]]


@pytest.mark.parametrize("state", ["known", "unknown", "inactive", "without a password"])
def test_every_try_costs_one_hash_whoever_it_names(
    cast: Cast, monkeypatch: pytest.MonkeyPatch, state: str
) -> None:
    """Time tells nothing: the slow part, the hash, is done exactly once."""
    hashed: list[str] = []
    hasher = hashers.get_hasher()
    encode = type(hasher).encode

    def counted(self: Any, password: str, salt: str, *rest: Any) -> str:
        hashed.append(password)
        return str(encode(self, password, salt, *rest))

    if state == "inactive":
        Person.objects.filter(email=OWNER).update(is_active=False)
    if state == "without a password":
        cast.owner.set_unusable_password()
        cast.owner.save()
    monkeypatch.setattr(type(hasher), "encode", counted)
    assert attempt(Client(), "guess", "x@almanac.example" if state == "unknown" else OWNER).status_code == 200
    assert len(hashed) == 1


def test_the_right_password_gives_the_try_back(cast: Cast) -> None:
    for _ in range(12):
        assert attempt(Client(), RIGHT).status_code == 302


def test_failures_are_forgotten_after_a_day(cast: Cast) -> None:
    for n in range(6):
        attempt(Client(), f"guess {n}")
    with time_machine.travel(timezone.now() + timedelta(days=2)):
        assert attempt(Client(), "guess").status_code == 200
        assert attempt(Client(), "guess").status_code == 200
        DoorTries.objects.update(last_at=timezone.now() - timedelta(days=2))
        assert throttle.forget_old() == 3
    assert not DoorTries.objects.exists()


def test_what_is_counted_names_nobody(cast: Cast) -> None:
    attempt(Client(), "guess", "somebody@almanac.example")
    assert {len(row.key) for row in DoorTries.objects.all()} == {64}


@given(st.integers(0, 10_000), st.sampled_from([5, 30, 50]))
def test_the_wait_grows_and_ends(failures: int, free: int) -> None:
    count = throttle.Count("k", free)
    assert 0 <= count.wait_after(failures) <= count.wait_after(failures + 1) <= throttle.LONGEST_WAIT_SECONDS
    assert (count.wait_after(failures) == 0) == (failures <= free)


def test_the_address_behind_a_proxy_is_the_one_that_the_proxy_saw(rf: Any, settings: Any) -> None:
    request = rf.get("/", REMOTE_ADDR="10.0.0.1", HTTP_X_FORWARDED_FOR="1.1.1.1, 203.0.113.9")
    settings.SECURE_PROXY_SSL_HEADER = None
    assert throttle.client_address(request) == "10.0.0.1"
    settings.SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    assert throttle.client_address(request) == "203.0.113.9"


def test_a_forged_device_is_not_known(cast: Cast) -> None:
    client = Client()
    client.cookies[throttle.DEVICE_COOKIE] = '{"a": "b"}:1tXxXx:forged'
    for n in range(6):
        attempt(client, f"guess {n}")
    assert attempt(client, RIGHT).status_code == 429


def test_sign_in_leads_on_only_within_these_pages(cast: Cast) -> None:
    asked = {"username": OWNER, "password": RIGHT}
    address = reverse("pages:sign_in")
    assert Client().post(address, asked | {"next": "/heaters/"})["Location"] == "/heaters/"
    assert Client().post(address, asked | {"next": "https://evil.example/"})["Location"] == "/"
    assert Client().post(address, asked | {"next": "//evil.example/"})["Location"] == "/"


def test_a_failure_is_told_to_the_owner_of_the_organisation(cast: Cast) -> None:
    attempt(Client(), "a very secret guess", "technician@almanac.example")
    with unscoped("looking"):
        event = SecurityEvent.objects.get(kind="sign_in_failed")
    assert (event.organisation, event.person, event.address) == (cast.house, cast.technician, "198.51.100.7")
    assert "guess" not in event.words


def test_sessions_are_listed_and_ended(cast: Cast) -> None:
    here, there, third = Client(), Client(), Client()
    for client in (here, there, third):
        attempt(client, RIGHT)
    page = here.get(reverse("estate:account"))
    rows = page.context["sittings"]
    assert [row.is_this_one for row in rows] == [True, False, False]
    other = rows[1].number
    assert cast.client(cast.planner).post(reverse("estate:end_session", args=[other])).status_code == 404
    assert here.post(reverse("estate:end_session", args=[other])).status_code == 302
    alive = [client.get("/").status_code for client in (here, there, third)]
    assert sorted(alive) == [200, 200, 302] and alive[0] == 200
    here.post(reverse("estate:end_other_sessions"))
    assert [client.get("/").status_code for client in (here, there, third)] == [200, 302, 302]


def test_changing_the_password_ends_the_other_sessions(cast: Cast) -> None:
    here, there = Client(), Client()
    attempt(here, RIGHT), attempt(there, RIGHT)
    address = reverse("estate:password")
    new = {"new_password1": "ferns-in-a-kettle", "new_password2": "ferns-in-a-kettle"}
    assert here.post(address, {"old_password": "wrong", **new}).status_code == 400
    assert here.post(address, {"old_password": RIGHT, **new}).status_code == 302
    assert here.get("/").status_code == 200
    assert there.get("/").status_code == 302


@pytest.mark.parametrize("weak", ["short", "password123", "owner@almanac", "1234567890"])
def test_weak_passwords_are_refused(cast: Cast, weak: str) -> None:
    new = {"old_password": RIGHT, "new_password1": weak, "new_password2": weak}
    assert cast.client(cast.owner).post(reverse("estate:password"), new).status_code == 400


def test_a_session_ends_when_left_alone_and_when_it_is_old(cast: Cast) -> None:
    client = Client()
    attempt(client, RIGHT)
    start = timezone.now()
    with time_machine.travel(start + timedelta(hours=90)):
        assert client.get("/").status_code == 200
    with time_machine.travel(start + timedelta(hours=90 + 97)):
        assert client.get("/").status_code == 302
    attempt(client, RIGHT)
    for day in range(1, 14):
        with time_machine.travel(start + timedelta(days=day)):
            assert client.get("/").status_code == 200
    with time_machine.travel(start + timedelta(days=14, hours=1)):
        assert client.get("/").status_code == 302


def test_signing_in_gives_a_new_session(cast: Cast) -> None:
    """A session number planted before signing in opens nothing afterwards."""
    client = Client()
    client.get(reverse("pages:sign_in"))
    client.session.save()
    planted = client.session.session_key
    client.cookies[settings.SESSION_COOKIE_NAME] = planted
    attempt(client, RIGHT)
    assert client.cookies[settings.SESSION_COOKIE_NAME].value != planted
    stranger = Client()
    stranger.cookies[settings.SESSION_COOKIE_NAME] = planted
    assert stranger.get("/").status_code == 302
