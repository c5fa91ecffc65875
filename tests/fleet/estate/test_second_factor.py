"""A second factor beside the password; an organisation can ask for one of everybody."""

from __future__ import annotations

import time
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal import auth as totp
from django.contrib.auth.tokens import default_token_generator
from django.core.cache import cache
from django.core.exceptions import ImproperlyConfigured
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlsafe_base64_encode

from fleet.estate.account_adapter import SecondFactorAdapter
from fleet.estate.models import SecurityEvent
from fleet.estate.scope import unscoped
from tests.conftest import Cast

RIGHT = "water-heater-9"
OWNER = "owner@almanac.example"


def signed_in(account: str = OWNER) -> Client:
    client = Client()
    client.post(reverse("pages:sign_in"), {"username": account, "password": RIGHT})
    return client


def code_of(secret: str) -> str:
    """RFC 6238 with the usual 30 s and six digits, by the library's own calculation."""
    counter = int(time.time()) // 30
    return totp.format_hotp_value(totp.hotp_value(secret, counter))


def set_up_app(client: Client) -> str:
    """Set up an authenticator app as a person does; returns its secret."""
    address = reverse("mfa_activate_totp")
    asked = client.get(address)
    assert asked["Location"].startswith(reverse("account_reauthenticate"))
    again = client.post(asked["Location"], {"password": RIGHT})
    assert again["Location"] == address
    secret = str(client.get(address).context["form"].secret)
    done = client.post(address, {"code": code_of(secret)})
    assert done["Location"] == reverse("mfa_view_recovery_codes")
    return secret


def test_rfc_6238_known_values() -> None:
    """RFC 6238 appendix B, SHA-1, last six of the eight digits; RFC 4648 base 32 of '12345678901234567890'."""
    secret = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"
    for moment, digits in [
        (59, "287082"),
        (1111111109, "081804"),
        (1234567890, "005924"),
        (20000000000, "353130"),
    ]:
        assert totp.format_hotp_value(totp.hotp_value(secret, moment // 30)) == digits


def test_with_an_app_set_up_the_password_alone_opens_nothing(cast: Cast) -> None:
    secret = set_up_app(signed_in())
    client = Client()
    asked = client.post(reverse("pages:sign_in"), {"username": OWNER, "password": RIGHT})
    assert asked["Location"] == reverse("mfa_authenticate")
    assert client.get("/").status_code == 302
    wrong = client.post(reverse("mfa_authenticate"), {"code": "000000"})
    assert wrong.status_code == 200
    assert client.get("/").status_code == 302
    right = client.post(reverse("mfa_authenticate"), {"code": code_of(secret)})
    assert right.status_code == 302
    assert client.get("/").status_code == 200


def test_a_code_works_once_while_it_lasts(cast: Cast) -> None:
    secret = set_up_app(signed_in())
    with time_machine.travel(timezone.now() + timedelta(minutes=3)) as clock:
        code = code_of(secret)
        for shift, answer in ((0, 302), (20, 200), (25, 200)):
            clock.shift(shift)
            cache.clear()
            client = Client()
            client.post(reverse("pages:sign_in"), {"username": OWNER, "password": RIGHT})
            assert client.post(reverse("mfa_authenticate"), {"code": code}).status_code == answer


def test_a_recovery_code_works_once(cast: Cast) -> None:
    owner = signed_in()
    set_up_app(owner)
    page = owner.get(reverse("mfa_view_recovery_codes"))
    code = page.context["unused_codes"][0]
    assert code in page.content.decode()
    for answer in (302, 200):
        client = Client()
        client.post(reverse("pages:sign_in"), {"username": OWNER, "password": RIGHT})
        assert client.post(reverse("mfa_authenticate"), {"code": code}).status_code == answer


def test_guessing_codes_is_slowed_down_and_told(cast: Cast) -> None:
    set_up_app(signed_in())
    client = Client()
    client.post(reverse("pages:sign_in"), {"username": OWNER, "password": RIGHT})
    answers = [client.post(reverse("mfa_authenticate"), {"code": f"{n:06}"}).status_code for n in range(7)]
    assert answers[:5] == [200] * 5 and answers[-1] == 429
    with unscoped("looking"):
        assert SecurityEvent.objects.filter(kind="sign_in_failed", person=cast.owner).count() >= 5


def test_secrets_of_second_factors_are_sealed_in_the_database(cast: Cast) -> None:
    secret = set_up_app(signed_in())
    kept = str(list(Authenticator.objects.values_list("data", flat=True)))
    assert secret not in kept
    assert Authenticator.objects.filter(user=cast.owner).count() == 2


def require(cast: Cast) -> None:
    answer = cast.client(cast.owner).post(
        reverse("estate:organisation"), {"name": cast.house.name, "second_factor_required": "on"}
    )
    assert answer.status_code == 302


def test_an_organisation_that_asks_for_one_shows_nothing_without(cast: Cast) -> None:
    require(cast)
    client = signed_in("planner@almanac.example")
    for name in ("pages:portfolio", "pages:heaters", "heaters_export:export", "estate:people"):
        assert client.get(reverse(name))["Location"] == reverse("estate:account"), name
    assert client.get(reverse("pages:heater", args=[cast.heater.pk])).status_code == 302
    assert b"asks for a second factor" in client.get(reverse("estate:account")).content
    set_up_app(client)
    assert client.get(reverse("pages:portfolio")).status_code == 200


def test_the_other_house_asks_for_nothing(cast: Cast) -> None:
    require(cast)
    assert cast.client(cast.outsider).get(reverse("pages:portfolio")).status_code == 200


def test_removing_the_app_closes_the_pages_again(cast: Cast) -> None:
    require(cast)
    client = signed_in()
    set_up_app(client)
    assert client.get("/").status_code == 200
    assert client.post(reverse("mfa_deactivate_totp")).status_code == 302
    assert client.get("/")["Location"] == reverse("estate:account")


@pytest.mark.parametrize(
    "name", ["mfa_index", "mfa_activate_totp", "mfa_list_webauthn", "mfa_view_recovery_codes"]
)
def test_a_stranger_is_sent_to_sign_in(db: None, name: str) -> None:
    assert Client().get(reverse(name))["Location"].startswith(reverse("pages:sign_in"))


def test_nobody_sees_or_removes_the_key_of_another_person(cast: Cast) -> None:
    row: Any = Authenticator.objects.create(
        user=cast.planner, type="webauthn", data={"name": "planner's", "passwordless": True, "credential": {}}
    )
    client = signed_in()
    client.get(reverse("mfa_activate_totp"))
    client.post(reverse("account_reauthenticate"), {"password": RIGHT})
    for name in ("mfa_edit_webauthn", "mfa_remove_webauthn"):
        assert client.post(reverse(name, args=[row.pk]), {"name": "mine"}).status_code == 404
    assert Authenticator.objects.filter(pk=row.pk).exists()


def test_a_new_password_by_mail_does_not_pass_the_second_factor(cast: Cast) -> None:
    set_up_app(signed_in())
    client = Client()
    number = urlsafe_base64_encode(str(cast.owner.pk).encode())
    cast.owner.refresh_from_db()
    link = reverse("estate:new_password", args=[number, default_token_generator.make_token(cast.owner)])
    asked = {"new_password1": "ferns-in-a-kettle", "new_password2": "ferns-in-a-kettle"}
    assert client.post(client.get(link)["Location"], asked).status_code == 302
    answer = client.post(reverse("pages:sign_in"), {"username": OWNER, "password": "ferns-in-a-kettle"})
    assert answer["Location"] == reverse("mfa_authenticate")
    assert client.get("/").status_code == 302


def test_a_seal_that_was_altered_is_not_opened() -> None:
    seal = SecondFactorAdapter()
    sealed = seal.encrypt("GEZDGNBV")
    assert seal.decrypt(sealed) == "GEZDGNBV"
    altered = sealed[:-6] + ("AAAAAA" if sealed[-6:] != "AAAAAA" else "BBBBBB")
    with pytest.raises(ImproperlyConfigured, match="ALMANAC_SECRET_KEY"):
        seal.decrypt(altered)
