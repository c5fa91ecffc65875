"""Single sign-on: what is asked of the identity provider, and what of its answer is believed.

Beyond the library's own checks (state, PKCE, issuer, audience, time): the signature of the ID token although it came
over TLS, the nonce of this browser's own request, and that both answers are about the same person (OpenID Connect
Core 1.0, sections 3.1.3.7 and 5.3.2).
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from typing import Any

import jwt
from allauth.socialaccount.adapter import get_adapter
from allauth.socialaccount.internal import jwtkit
from allauth.socialaccount.models import SocialApp
from allauth.socialaccount.providers.oauth2.client import OAuth2Client, OAuth2Error
from allauth.socialaccount.providers.oauth2.views import OAuth2CallbackView, OAuth2LoginView
from allauth.socialaccount.providers.openid_connect.views import OpenIDConnectOAuth2Adapter
from django.http import Http404, HttpRequest, HttpResponseBase

# Signatures by a key of the provider's own. None by a secret that we hold too, and never 'none'.
SIGNED_BY = frozenset(
    {"RS256", "RS384", "RS512", "PS256", "PS384", "PS512", "ES256", "ES384", "ES512", "EdDSA"}
)


def _nonce(challenge: str) -> str:
    """Bound to one request of one browser: made of the random word of PKCE that only its session holds."""
    return hashlib.sha256(f"nonce {challenge}".encode()).hexdigest()


def _challenge(verifier: str) -> str:
    return base64.urlsafe_b64encode(hashlib.sha256(verifier.encode()).digest()).decode().rstrip("=")


class _Client(OAuth2Client):
    def get_redirect_url(self, authorization_url: str, scope: Any, extra_params: dict[str, Any]) -> str:
        challenge = extra_params["code_challenge"]
        own = {"nonce": _nonce(challenge.decode() if isinstance(challenge, bytes) else challenge)}
        return str(super().get_redirect_url(authorization_url, scope, extra_params | own))


class IdentityProvider(OpenIDConnectOAuth2Adapter):
    client_class = _Client
    _expected_nonce = ""
    _told: dict[str, Any] | None = None

    def get_access_token_data(
        self, request: HttpRequest, app: SocialApp, client: Any, pkce_code_verifier: str | None = None
    ) -> dict[str, Any]:
        if not pkce_code_verifier:
            raise OAuth2Error("This answer belongs to no request of this browser.")
        self._expected_nonce = _nonce(_challenge(pkce_code_verifier))
        found: dict[str, Any] = super().get_access_token_data(request, app, client, pkce_code_verifier)
        return found

    def complete_login(self, request: HttpRequest, app: SocialApp, token: Any, **kwargs: Any) -> Any:
        if not kwargs["response"].get("id_token"):
            raise OAuth2Error("The provider sent no ID token.")
        return super().complete_login(request, app, token, **kwargs)

    def _fetch_user_info(self, access_token: str) -> dict[str, Any]:
        told: dict[str, Any] = super()._fetch_user_info(access_token)
        self._told = told
        return told

    def _decode_id_token(self, app: SocialApp, id_token: str) -> dict[str, Any]:
        try:
            claims: dict[str, Any] = jwt.decode(
                id_token,
                key=self._key_of(id_token),
                issuer=self.openid_config["issuer"],
                audience=app.client_id,
                options={"require": ["iss", "aud", "exp", "iat", "sub", "nonce"]},
                leeway=60,
            )
        except (jwt.PyJWTError, KeyError, TypeError, ValueError) as error:
            raise OAuth2Error("The ID token cannot be believed.") from error
        if not hmac.compare_digest(str(claims["nonce"]), self._expected_nonce):
            raise OAuth2Error("The ID token was made for another request.")
        if self._told is not None and str(self._told.get("sub")) != str(claims["sub"]):
            raise OAuth2Error("The provider's two answers are about different people.")
        jwtkit.verify_jti(claims)
        return claims

    def _key_of(self, id_token: str) -> jwt.PyJWK:
        """The provider's key that the token names, or its only one; for one of the algorithms that are taken."""
        head = jwt.get_unverified_header(id_token)
        with get_adapter().get_requests_session() as session:
            answer = session.get(self.openid_config["jwks_uri"])
            answer.raise_for_status()
            keys = [key for key in answer.json()["keys"] if key.get("use", "sig") == "sig"]
        if "kid" in head:
            keys = [key for key in keys if key.get("kid") == head["kid"]]
        if len(keys) != 1 or head["alg"] not in SIGNED_BY or keys[0].get("alg", head["alg"]) != head["alg"]:
            raise jwt.InvalidTokenError("No key of the provider's fits this token.")
        return jwt.PyJWK(keys[0], algorithm=head["alg"])


def _door(library_view: Any) -> Any:
    def view(request: HttpRequest, provider_id: str) -> HttpResponseBase:
        try:
            answered: HttpResponseBase = library_view.adapter_view(IdentityProvider(request, provider_id))(
                request
            )
        except SocialApp.DoesNotExist as error:
            raise Http404 from error
        return answered

    return view


login, callback = _door(OAuth2LoginView), _door(OAuth2CallbackView)
