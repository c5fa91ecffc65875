"""Passwords, second factors, sessions and signed words: what ASVS asks of them beyond the rooms' own tests."""

from __future__ import annotations

import base64
import re
from datetime import timedelta
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
import time_machine
from allauth.mfa.models import Authenticator
from allauth.mfa.recovery_codes.internal.auth import RecoveryCodes
from allauth.mfa.totp.internal import auth as totp
from django.conf import settings as own_settings
from django.core import signing
from django.core.exceptions import ValidationError
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fleet import environment
from fleet.estate import mail_address, people, throttle
from fleet.estate.account_adapter import SecondFactorAdapter
from fleet.estate.models import Membership, Person, SecurityEvent
from fleet.estate.own_words import OwnWordsValidator
from fleet.estate.scope import scoped, unscoped
from fleet.reminders import preferences
from tests.conftest import Cast
from tests.fleet.estate.test_second_factor import RIGHT, set_up_app, signed_in

SIGN_IN = "/sign-in/"


def password_fields(page: str) -> list[str]:
    return re.findall(r'<input[^>]*name="[^"]*password[^"]*"[^>]*>', page)


def test_password_fields_are_masked_and_open_to_password_managers(cast: Cast) -> None:
    client = cast.client(cast.owner)
    pages = [
        Client().get(SIGN_IN),
        client.get(reverse("estate:password")),
        client.get(reverse("estate:erase")),
    ]
    fields = [field for page in pages for field in password_fields(page.content.decode())]
    assert len(fields) == 5
    for field in fields:
        assert 'type="password"' in field
        assert re.search(r'autocomplete="(current|new)-password"', field)
        assert "maxlength" not in field and "readonly" not in field
    scripts = "".join(
        path.read_text(encoding="utf-8") for path in Path(own_settings.ROOT).glob("fleet/*/static/**/*.js")
    )
    assert "paste" not in scripts


@pytest.mark.parametrize("word", [" spaces at both ends ", "Ünïcode-παροιμία-鍋", "a" * 128, "CaseMatters-9"])
def test_a_password_is_taken_exactly_as_typed_however_long(cast: Cast, word: str) -> None:
    client = cast.client(cast.owner)
    new = {"old_password": RIGHT, "new_password1": word, "new_password2": word}
    assert client.post(reverse("estate:password"), new).status_code == 302
    for typed, opens in ((word, True), (word.strip() + "x", False), (word.swapcase(), word.isupper())):
        if typed == word and not opens:
            continue
        answer = Client().post(SIGN_IN, {"username": cast.owner.email, "password": typed})
        assert (answer.status_code == 302) is opens, typed


def test_nobody_is_made_to_change_a_password_by_date(cast: Cast) -> None:
    with time_machine.travel(timezone.now() + timedelta(days=5 * 365)):
        assert signed_in().get("/").status_code == 200


def test_an_account_knows_no_hint_and_no_secret_question() -> None:
    assert {field.name for field in Person._meta.concrete_fields} == {
        *("id", "email", "name", "password", "last_login", "created_at"),
        *("is_active", "is_staff", "is_superuser"),
    }


@pytest.mark.parametrize("word", ["TankAlmanac2026", "water-heater-99", "alder homes 12345", "Plumbing!!!!1"])
def test_words_of_the_house_alone_make_no_password(cast: Cast, word: str) -> None:
    with pytest.raises(ValidationError, match="words of your own"):
        OwnWordsValidator().validate(word, cast.owner)


@pytest.mark.parametrize("word", ["water ferns in a kettle", "ferns-in-a-kettle", "correct horse battery"])
def test_a_word_of_the_house_beside_others_does(cast: Cast, word: str) -> None:
    OwnWordsValidator().validate(word, cast.owner)


def test_seeds_and_recovery_codes_are_random_and_long_enough(cast: Cast) -> None:
    """RFC 4226, 4: a shared secret of 128 bits at least, 160 recommended. ASVS 6.5.4: 20 bits a recovery code."""
    seeds = {totp.generate_totp_secret() for _ in range(5)}
    assert len(seeds) == 5
    assert all(len(base64.b32decode(seed + "=" * (-len(seed) % 8))) * 8 >= 160 for seed in seeds)
    codes = [RecoveryCodes.activate(person).generate_codes() for person in (cast.owner, cast.planner)]
    assert len({*codes[0], *codes[1]}) == len(codes[0]) + len(codes[1])
    assert all(len(code) * 3.32 >= 20 for code in codes[0] + codes[1])


def test_a_session_s_token_is_random_and_long(cast: Cast) -> None:
    """32 of 36 letters: 165 bits."""
    keys = {str(signed_in().cookies[own_settings.SESSION_COOKIE_NAME].value) for _ in range(3)}
    assert len(keys) == 3
    assert all(re.fullmatch(r"[a-z0-9]{32}", key) for key in keys)


@pytest.mark.parametrize("name", ["pages:portfolio", "care:queue", "estate:account", "estate:tokens"])
def test_signing_out_and_the_way_about_are_in_sight(cast: Cast, name: str) -> None:
    page = cast.client(cast.owner).get(reverse(name)).content.decode()
    assert f'action="{reverse("pages:sign_out")}"' in page
    assert f'href="{reverse("pages:heaters")}"' in page


def test_signing_out_empties_the_browser_s_store_of_pages(cast: Cast) -> None:
    client = signed_in()
    assert client.post(reverse("pages:sign_out"))["Clear-Site-Data"] == '"cache"'
    assert client.get("/").status_code == 302


def test_what_is_signed_for_one_purpose_opens_no_other(in_house: Cast) -> None:
    cast, secrets = in_house, {}
    invitation = people.invite(cast.house, "guest@almanac.example", "viewer")
    secrets["invitation"] = people.secret_of(invitation)
    secrets["new address"] = mail_address.secret_for(cast.owner, "new@almanac.example")
    secrets["stop"] = preferences.stop_token(cast.owner.pk, "digests")
    secrets["device"] = signing.dumps({"x": "y"}, salt=throttle.DEVICE_SALT)
    for purpose, secret in secrets.items():
        assert (people.invitation_of(secret) is not None) == (purpose == "invitation")
        if purpose != "new address":
            with pytest.raises(mail_address.AddressGone):
                mail_address.address_in(secret, cast.owner)
        assert (preferences.read_stop_token(secret) is not None) == (purpose == "stop")


def test_what_another_installation_signed_is_refused_and_what_an_earlier_key_signed_is_not(
    in_house: Cast, settings: Any
) -> None:
    invitation = people.invite(in_house.house, "guest@almanac.example", "viewer")
    secret = people.secret_of(invitation)
    first = settings.SECRET_KEY
    settings.SECRET_KEY = "another key of another house, long enough to be one"
    assert people.invitation_of(secret) is None
    settings.SECRET_KEY_FALLBACKS = [first]
    assert people.invitation_of(secret) is not None


def test_signed_words_know_one_algorithm() -> None:
    signer = signing.TimestampSigner(salt="x")
    assert signer.algorithm == "sha256"
    signed = signing.dumps({"a": 1}, salt="x")
    for altered in (
        signed[:-2] + "xx",
        signed.rsplit(":", 1)[0],
        "none:" + signed,
        signed.replace(":", ".", 1),
    ):
        with pytest.raises(signing.BadSignature):
            signing.loads(altered, salt="x")


def test_an_earlier_key_s_seal_is_still_opened_and_new_ones_are_made_by_the_new(settings: Any) -> None:
    seal, first = SecondFactorAdapter(), settings.SECRET_KEY
    sealed = seal.encrypt("GEZDGNBV")
    settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = (
        "the key that stands now, long enough to be one",
        [first],
    )
    assert seal.decrypt(sealed) == "GEZDGNBV"
    anew = seal.encrypt("GEZDGNBV")
    settings.SECRET_KEY_FALLBACKS = []
    assert seal.decrypt(anew) == "GEZDGNBV"


def test_the_house_s_own_key_is_made_once_and_kept_from_others(tmp_path: Path) -> None:
    key = environment.kept_secret(tmp_path)
    assert len(base64.urlsafe_b64decode(key + "==")) * 8 >= 400
    assert environment.kept_secret(tmp_path) == key
    assert (tmp_path / "secret-key").stat().st_mode & 0o077 == 0
    (tmp_path / "b").mkdir()
    assert environment.kept_secret(tmp_path / "b") != key


def run(*arguments: str, **options: Any) -> str:
    out = StringIO()
    call_command("reset_person", *arguments, stdout=out, **options)
    return out.getvalue()


def test_the_operator_ends_sessions_and_takes_lost_factors_away(cast: Cast) -> None:
    owner, planner = signed_in(), signed_in("planner@almanac.example")
    set_up_app(owner)
    assert "1 sessions" in run(cast.owner.email)
    assert owner.get("/").status_code == 302
    assert planner.get("/").status_code == 200
    assert Authenticator.objects.filter(user=cast.owner).exists()
    run(cast.owner.email, second_factor=True)
    assert not Authenticator.objects.filter(user=cast.owner).exists()
    with unscoped("reading the log"):
        assert SecurityEvent.objects.filter(kind="second_factor", words__contains="operator").count() == 1
    assert "1 sessions ended; everybody" in run(everybody=True)
    assert planner.get("/").status_code == 302
    for wrong in ({"everybody": True, "second_factor": True},):
        with pytest.raises(CommandError):
            run(**wrong)
    with pytest.raises(CommandError, match="Nobody signs in"):
        run("nobody@almanac.example")


def test_a_row_chosen_for_a_token_is_never_read_as_all(cast: Cast) -> None:
    client = cast.client(cast.owner)
    for chosen in ("²", "x", "9" * 40):
        sent = {"name": "van", "needs": ["read"], "days": "30", "properties": [chosen]}
        answer = client.post(reverse("estate:tokens"), sent)
        assert answer.status_code == 422 and b"alp_" not in answer.content


def test_the_operator_s_address_goes_before_the_browser_s_in_mails(
    cast: Cast, settings: Any, rf: Any
) -> None:
    from fleet.estate.pages_address import pages_address

    request = rf.get("/", HTTP_HOST="testserver:6666")
    assert pages_address(request) == "http://testserver:6666/"
    settings.ADDRESS_SET_UP, settings.ADDRESS = True, "https://almanac.example"
    assert pages_address(request, "/x/") == "https://almanac.example/x/"


def test_the_api_is_not_led_from_http_to_https(cast: Cast, settings: Any) -> None:
    """A token that came in the clear may have been read on the way: it is refused, not repeated over TLS."""
    settings.TLS = settings.SECURE_SSL_REDIRECT = True
    plain = Client().get("/api/v1/heaters", HTTP_AUTHORIZATION="Bearer alp_x")
    assert plain.status_code == 403 and "Location" not in plain
    assert Client().get("/api/v1/heaters", secure=True).status_code == 401


def test_words_are_decoded_once(cast: Cast) -> None:
    page = cast.client(cast.owner).get(reverse("pages:find") + "?words=%2541%253Cb%253E").content.decode()
    assert "%41%3Cb%3E" in page and "A<b>" not in page and "<b>" not in page.split("<main", 1)[1]


def test_of_a_value_sent_twice_the_last_counts_everywhere(cast: Cast) -> None:
    twice = f"username=planner@almanac.example&username={cast.owner.email}&password={RIGHT}"
    client = Client()
    client.post(SIGN_IN, twice, content_type="application/x-www-form-urlencoded")
    assert int(client.session["_auth_user_id"]) == cast.owner.pk


@pytest.mark.parametrize("folder", ["/static/", "/static/pages/", "/files/", "/media/"])
def test_no_folder_is_listed(cast: Cast, folder: str) -> None:
    assert cast.client(cast.owner).get(folder).status_code == 404


def test_a_job_is_called_off_by_who_may_ask_for_it(cast: Cast) -> None:
    from fleet.estate import background
    from fleet.estate.access import Need, scope_of

    background.register("test_planned", for_whom=Need.PLAN)(lambda job: None)
    try:
        with scoped(scope_of(Membership.objects.get(person=cast.planner))):
            job = background.enqueue("test_planned", {}, cast.house.pk)
        where = reverse("pages:cancel_job", args=[job.pk])
        assert (
            "Call it off"
            not in cast.client(cast.technician).get(reverse("pages:job", args=[job.pk])).content.decode()
        )
        assert cast.client(cast.technician).post(where).status_code == 403
        assert cast.client(cast.planner).post(where).status_code == 302
    finally:
        background._work.pop("test_planned")


def test_neither_a_token_nor_a_session_is_taken_from_an_address(cast: Cast) -> None:
    """What stands in an address stands in logs, histories and proxies."""
    client = cast.client(cast.owner)
    sent = {"name": "van", "needs": ["read"], "days": "30"}
    secret = re.search(r"alp_[\w-]+", client.post(reverse("estate:tokens"), sent).content.decode())[0]  # type: ignore[index]
    key = client.cookies[own_settings.SESSION_COOKIE_NAME].value
    nobody = Client()
    assert nobody.get("/api/v1/me", headers={"Authorization": f"Bearer {secret}"}).status_code == 200
    for name in ("token", "access_token", "api_key", "key", "Authorization", "authorization"):
        for value in (secret, f"Bearer {secret}"):
            assert nobody.get("/api/v1/me", {name: value}).status_code == 401
    for name in (own_settings.SESSION_COOKIE_NAME, "sessionid", "session", "session_key"):
        assert nobody.get("/", {name: key}).status_code == 302
        assert nobody.get("/api/v1/me", {name: key}).status_code == 401
