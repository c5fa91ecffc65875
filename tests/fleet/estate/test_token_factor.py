"""Tokens and the second factor that an organisation asks for; what the security log tells of tokens."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from urllib.parse import urlsplit

import pytest
import time_machine
from django.core.cache import cache
from django.test import Client
from django.urls import resolve, reverse
from django.utils import timezone

from fleet.estate import tokens
from fleet.estate.models import AccessToken, Organisation, SecurityEvent
from fleet.estate.scope import unscoped
from fleet.reminders import feed
from tests.conftest import Cast
from tests.fleet.estate.test_second_factor import OWNER, require, set_up_app, signed_in
from tests.fleet.estate.test_tokens import made

PLACE = "/api/v1/properties"


def asked(secret: str, method: str = "get", path: str = PLACE) -> int:
    client = Client()
    answer = getattr(client, method)(path, headers={"Authorization": f"Bearer {secret}"})
    return int(answer.status_code)


def told(kind: str = "token") -> list[str]:
    with unscoped("reading the log"):
        return list(SecurityEvent.objects.filter(kind=kind).order_by("id").values_list("words", flat=True))


def secret_in(address: str) -> str:
    return str(resolve(urlsplit(address).path).kwargs["secret"])


@pytest.fixture(autouse=True)
def _fresh_counts() -> None:
    cache.clear()


def test_a_token_made_without_the_factor_stops_while_the_rule_stands(cast: Cast) -> None:
    hers, service = made(cast, "planner"), made(cast, "owner", kind="service")
    assert (asked(hers), asked(service)) == (200, 200)
    require(cast)
    assert asked(hers) == 401
    assert asked(service) == 200
    client = signed_in("planner@almanac.example")
    assert client.get(reverse("estate:tokens"))["Location"] == reverse("estate:account")
    set_up_app(client)
    assert asked(hers) == 401  # it was made by whoever knew the password
    page = client.get(reverse("estate:tokens")).content.decode()
    assert "shut: made without a second factor" in page and "asks for a second factor" in page
    Organisation.objects.update(second_factor_required=False)
    assert asked(hers) == 200


def test_a_token_made_behind_the_factor_works_as_long_as_its_person_has_one(cast: Cast) -> None:
    require(cast)
    client = signed_in()
    set_up_app(client)
    secret = made(cast, "owner")
    assert asked(secret) == 200
    client.post(reverse("mfa_deactivate_totp"))
    assert asked(secret) == 401
    assert told()[-1].endswith("its person has no second factor")


def test_sessions_from_before_the_first_factor_end_when_it_is_set_up(
    cast: Cast, django_capture_on_commit_callbacks: Any
) -> None:
    """Else whoever holds the password keeps a session that never passed it."""
    elsewhere, here = signed_in(), signed_in()
    assert elsewhere.get("/").status_code == 200
    with django_capture_on_commit_callbacks(execute=True):
        set_up_app(here)
    assert here.get("/").status_code == 200
    assert elsewhere.get("/").status_code == 302
    assert any("authenticator app" in words for words in told("second_factor"))
    with django_capture_on_commit_callbacks(execute=True):
        here.post(reverse("mfa_deactivate_totp"))
    assert told("second_factor")[-1].startswith("Removed a second factor")


def test_a_calendar_address_from_before_the_factor_opens_nothing(cast: Cast) -> None:
    old = secret_in(feed.new_address(cast.owner, cast.house))
    assert feed.calendar_behind(old) is not None
    require(cast)
    assert feed.calendar_behind(old) is None
    set_up_app(signed_in(OWNER))
    assert feed.calendar_behind(old) is None
    new = secret_in(feed.new_address(cast.owner, cast.house))
    assert feed.calendar_behind(new) is not None


def test_the_log_tells_what_became_of_a_token_once_a_day(cast: Cast) -> None:
    client = cast.client(cast.owner)
    client.post(reverse("estate:tokens"), {"name": "van", "needs": ["read"], "days": "30"})
    assert told()[0].startswith("Made the personal token van, ending in ")
    secret = made(cast, name="pump", kind="service")
    for _ in range(3):
        assert asked(secret, "post") == 403
    assert [words for words in told() if "it may not plan" in words] == told()[-1:]
    with time_machine.travel(timezone.now() + timedelta(days=31)):
        assert [asked(secret) for _ in range(2)] == [401, 401]
        assert told()[-1].endswith("it has expired") and "it may not" in told()[-2]
    with unscoped("finding it"):
        row = AccessToken.objects.get(name="van")
    client.post(reverse("estate:revoke_token", args=[row.pk]))
    assert told()[-1].startswith("Revoked the personal token van")
    assert secret not in "".join(told()) and secret[:20] not in "".join(told())


def test_a_stranger_s_guess_fills_no_log(cast: Cast) -> None:
    made(cast)
    before = told()
    assert asked("alp_" + "x" * 43) == 401
    assert told() == before
    assert tokens.find_holder("alp_" + "x" * 43) is None
