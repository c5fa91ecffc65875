"""Single sign-on by OpenID Connect, against a small identity provider of the test's own."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

import jwt
import pytest
from allauth.account.models import EmailAddress
from cryptography.hazmat.primitives.asymmetric import ec
from django.test import Client
from django.urls import reverse

from fleet.estate import people
from fleet.estate.models import Person
from fleet.estate.scope import scope_of_organisation, scoped
from tests.conftest import Cast

BY = {"provider_id": "single-sign-on"}
OWN_KEY, STRANGERS_KEY = (ec.generate_private_key(ec.SECP256R1()) for _ in range(2))


class _Provider(BaseHTTPRequestHandler):
    """OpenID Connect Discovery 1.0 and Core 1.0, the code flow, as far as a relying party asks."""

    def do_GET(self) -> None:
        root = f"http://127.0.0.1:{self.server.server_port}"  # type: ignore[attr-defined]
        if self.path.startswith("/.well-known/openid-configuration"):
            self._say(
                {
                    "issuer": root,
                    "authorization_endpoint": root + "/authorize",
                    "token_endpoint": root + "/token",
                    "userinfo_endpoint": root + "/userinfo",
                    "jwks_uri": root + "/keys",
                    "token_endpoint_auth_methods_supported": ["client_secret_post"],
                }
            )
        elif self.path.startswith("/keys"):
            key = json.loads(jwt.algorithms.ECAlgorithm.to_jwk(OWN_KEY.public_key()))
            self._say({"keys": [key | {"kid": "one", "use": "sig", "alg": "ES256"}]})
        else:
            self._say(self.server.person | self.server.told)  # type: ignore[attr-defined]

    def do_POST(self) -> None:
        sent = parse_qs(self.rfile.read(int(self.headers["Content-Length"])).decode())
        self.server.asked.append(sent)  # type: ignore[attr-defined]
        root = f"http://127.0.0.1:{self.server.server_port}"  # type: ignore[attr-defined]
        claims = {
            "iss": self.server.issuer or root,  # type: ignore[attr-defined]
            "aud": self.server.audience,  # type: ignore[attr-defined]
            "iat": 1,
            "exp": 4_000_000_000,
            "nonce": self.server.nonce,  # type: ignore[attr-defined]
            **self.server.person,  # type: ignore[attr-defined]
        }
        token = self.server.signed(claims)  # type: ignore[attr-defined]
        self._say({"access_token": "t", "token_type": "Bearer"} | ({"id_token": token} if token else {}))

    def _say(self, what: dict[str, Any]) -> None:
        body = json.dumps(what).encode()
        self.send_response(200)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: Any) -> None:
        """Quiet."""


def by_its_key(claims: dict[str, Any]) -> str:
    return jwt.encode(claims, OWN_KEY, algorithm="ES256", headers={"kid": "one"})


@pytest.fixture
def provider(settings: Any) -> Iterator[Any]:
    server: Any = ThreadingHTTPServer(("127.0.0.1", 0), _Provider)
    server.person, server.told, server.asked, server.audience, server.issuer = {}, {}, [], "almanac", ""
    server.replayed, server.signed = "", by_its_key
    threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True).start()
    settings.SOCIALACCOUNT_PROVIDERS = {
        "openid_connect": {
            "APPS": [
                {
                    "provider_id": "single-sign-on",
                    "name": "the works' sign-in",
                    "client_id": "almanac",
                    "secret": "kept",
                    "settings": {
                        "server_url": f"http://127.0.0.1:{server.server_port}",
                        "oauth_pkce_enabled": True,
                    },
                }
            ]
        }
    }
    yield server
    server.shutdown()
    server.server_close()


def come_in(provider: Any, email: str, *, verified: bool = True, number: str = "7") -> tuple[Client, Any]:
    provider.person = {"sub": number, "email": email, "email_verified": verified, "name": "Known There"}
    client = Client()
    away = client.post(reverse("openid_connect_login", kwargs=BY))
    asked = parse_qs(urlsplit(away["Location"]).query)
    assert asked["code_challenge_method"] == ["S256"]
    provider.nonce = provider.replayed or asked["nonce"][0]
    back = client.get(
        reverse("openid_connect_callback", kwargs=BY), {"code": "c", "state": asked["state"][0]}
    )
    return client, back


def test_a_known_person_comes_in_by_her_confirmed_address(cast: Cast, provider: Any) -> None:
    EmailAddress.objects.create(user=cast.owner, email=cast.owner.email, verified=True, primary=True)
    client, back = come_in(provider, "Owner@Almanac.example")
    assert back["Location"] == "/"
    assert client.get("/").status_code == 200
    cast.owner.refresh_from_db()
    assert cast.owner.has_usable_password()
    assert provider.asked[0]["code_verifier"]
    again, _ = come_in(provider, "changed-there@almanac.example")
    assert again.get("/").status_code == 200


def test_an_address_that_was_never_confirmed_here_loses_its_password(cast: Cast, provider: Any) -> None:
    """Whoever made the account may not be who the provider vouches for."""
    before = cast.client(cast.owner)
    client, _ = come_in(provider, cast.owner.email)
    assert client.get("/").status_code == 200
    cast.owner.refresh_from_db()
    assert not cast.owner.has_usable_password()
    assert before.get("/").status_code == 302


@pytest.mark.parametrize("email", ["owner@almanac.example", "stranger@almanac.example"])
def test_an_unconfirmed_address_opens_nothing(cast: Cast, provider: Any, email: str) -> None:
    client, back = come_in(provider, email, verified=False)
    assert back["Location"] == reverse("pages:sign_in")
    assert client.get("/").status_code == 302
    assert b"has not confirmed" in client.get(back["Location"]).content


def test_whom_nobody_invited_stays_out(cast: Cast, provider: Any) -> None:
    client, _ = come_in(provider, "stranger@almanac.example")
    assert client.get("/").status_code == 302
    assert not Person.objects.filter(email="stranger@almanac.example").exists()


def test_an_invited_person_comes_in_without_a_password(cast: Cast, provider: Any) -> None:
    with scoped(scope_of_organisation(cast.house)):
        people.invite(cast.house, "newcomer@almanac.example", "technician")
    client, _ = come_in(provider, "newcomer@almanac.example")
    assert client.get("/").status_code == 200
    person = Person.objects.get(email="newcomer@almanac.example")
    assert (person.name, person.has_usable_password()) == ("Known There", False)
    assert [row.role for row in person.memberships.all()] == ["technician"]


def test_a_person_who_was_shut_out_stays_out(cast: Cast, provider: Any) -> None:
    Person.objects.filter(pk=cast.owner.pk).update(is_active=False)
    client, _ = come_in(provider, cast.owner.email)
    assert client.get("/").status_code == 302


def test_a_made_up_state_opens_nothing(cast: Cast, provider: Any) -> None:
    provider.person = {"sub": "7", "email": cast.owner.email, "email_verified": True}
    client = Client()
    answer = client.get(reverse("openid_connect_callback", kwargs=BY), {"code": "c", "state": "made-up"})
    assert b"did not work" in answer.content
    assert client.get("/").status_code == 302


def test_the_button_is_there_only_where_a_provider_is_set_up(db: None, settings: Any) -> None:
    address = reverse("openid_connect_login", kwargs=BY)
    settings.SOCIALACCOUNT_PROVIDERS = {}
    assert address.encode() not in Client().get(reverse("pages:sign_in")).content
    assert Client().post(address).status_code == 404


def test_the_button_leads_to_the_provider(db: None, provider: Any) -> None:
    page = Client().get(reverse("pages:sign_in")).content.decode()
    assert reverse("openid_connect_login", kwargs=BY) in page
    assert "the works&#x27; sign-in" in page


def test_a_token_for_another_client_opens_nothing(cast: Cast, provider: Any) -> None:
    """OpenID Connect Core 1.0, section 3.1.3.7, 3: the audience has to be this client."""
    provider.audience = "somebody-else"
    client, _ = come_in(provider, cast.owner.email)
    assert client.get("/").status_code == 302


def test_a_token_of_another_issuer_opens_nothing(cast: Cast, provider: Any) -> None:
    """OpenID Connect Core 1.0, section 3.1.3.7, 2: the issuer has to be the one that was set."""
    provider.issuer = "https://id.example"
    client, _ = come_in(provider, cast.owner.email)
    assert client.get("/").status_code == 302


def unsigned(claims: dict[str, Any]) -> str:
    return jwt.encode(claims, None, algorithm="none", headers={"kid": "one"})


def by_a_strangers_key(claims: dict[str, Any]) -> str:
    return jwt.encode(claims, STRANGERS_KEY, algorithm="ES256", headers={"kid": "one"})


def by_the_secret_that_we_share(claims: dict[str, Any]) -> str:
    return jwt.encode(claims, "kept" * 8, algorithm="HS256", headers={"kid": "one"})


def by_a_key_that_is_not_listed(claims: dict[str, Any]) -> str:
    return jwt.encode(claims, OWN_KEY, algorithm="ES256", headers={"kid": "two"})


def altered_afterwards(claims: dict[str, Any]) -> str:
    head, _, signature = by_its_key(claims).split(".")
    other = by_its_key(claims | {"name": "Somebody Else"}).split(".")[1]
    return f"{head}.{other}.{signature}"


def not_at_all(claims: dict[str, Any]) -> str:
    return ""


@pytest.mark.parametrize(
    "signed",
    [
        unsigned,
        by_a_strangers_key,
        by_the_secret_that_we_share,
        by_a_key_that_is_not_listed,
        altered_afterwards,
        not_at_all,
    ],
)
def test_a_token_that_the_provider_did_not_sign_opens_nothing(cast: Cast, provider: Any, signed: Any) -> None:
    """OpenID Connect Core 1.0, section 3.1.3.7, 6 and 7."""
    provider.signed = signed
    client, back = come_in(provider, cast.owner.email)
    assert b"did not work" in back.content
    assert client.get("/").status_code == 302


def test_a_token_of_another_sign_in_opens_nothing(cast: Cast, provider: Any) -> None:
    """OpenID Connect Core 1.0, section 3.1.3.7, 11: the nonce is the one that this browser sent."""
    come_in(provider, cast.owner.email)
    first = provider.nonce
    come_in(provider, cast.owner.email)
    assert provider.nonce != first
    provider.replayed = first
    client, _ = come_in(provider, cast.owner.email)
    assert client.get("/").status_code == 302


def test_a_token_and_a_profile_of_two_people_open_nothing(cast: Cast, provider: Any) -> None:
    """OpenID Connect Core 1.0, section 5.3.2: the subject of both is the same, or the profile is not used."""
    provider.told = {"sub": "8"}
    client, _ = come_in(provider, cast.owner.email)
    assert client.get("/").status_code == 302
