"""How the account library fits this house: who may come in from an identity provider, what is kept sealed."""

from __future__ import annotations

import base64
from typing import Any

from allauth.account.adapter import DefaultAccountAdapter
from allauth.core.exceptions import ImmediateHttpResponse
from allauth.mfa.adapter import DefaultMFAAdapter
from allauth.socialaccount.adapter import DefaultSocialAccountAdapter
from cryptography.fernet import Fernet, InvalidToken, MultiFernet
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.conf import settings
from django.contrib import messages
from django.core.exceptions import ImproperlyConfigured
from django.db import transaction
from django.http import HttpRequest
from django.shortcuts import redirect
from django.utils import timezone

from fleet.estate import people, throttle
from fleet.estate.models import Person
from fleet.estate.people_rows import Invitation
from fleet.estate.scope import unscoped
from fleet.estate.security_log import note_of_person
from fleet.estate.sessions import end_sessions


class AccountAdapter(DefaultAccountAdapter):
    """Nobody makes an account for herself: people are invited."""

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False

    def get_client_ip(self, request: HttpRequest) -> str:
        return throttle.client_address(request) or "0.0.0.0"  # noqa: S104 - stands for 'not known'

    def add_message(self, request: HttpRequest, level: int, *args: Any, **kwargs: Any) -> None:
        """What went wrong is passed on; for the rest our pages have their own words."""
        if words := kwargs.get("message"):
            messages.add_message(request, level, str(words))

    def send_notification_mail(self, *args: Any, **kwargs: Any) -> None:
        """The security log tells it."""


def _seal() -> MultiFernet:
    """Seals with the key in force; opens what earlier keys sealed as well."""
    return MultiFernet([_sealed_by(key) for key in (settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS)])


def _sealed_by(secret_key: str) -> Fernet:
    hkdf = HKDF(SHA256(), length=32, salt=None, info=b"fleet.estate second factor")
    return Fernet(base64.urlsafe_b64encode(hkdf.derive(secret_key.encode())))


class SecondFactorAdapter(DefaultMFAAdapter):
    """Keeps the secrets of second factors sealed with a key that is not in the database."""

    def encrypt(self, text: str) -> str:
        return _seal().encrypt(text.encode()).decode()

    def decrypt(self, encrypted_text: str) -> str:
        try:
            return _seal().decrypt(encrypted_text.encode()).decode()
        except InvalidToken as error:
            raise ImproperlyConfigured(
                "A second factor cannot be read: ALMANAC_SECRET_KEY is not the one it was sealed with, "
                "nor is one of ALMANAC_OLD_SECRET_KEYS."
            ) from error

    def get_public_key_credential_rp_name(self) -> str:
        return "Tank Almanac"

    def _get_site_name(self) -> str:
        return "Tank Almanac"


class ProviderAdapter(DefaultSocialAccountAdapter):
    """Single sign-on: lets in whom the provider vouches for by a confirmed address, if she is known or invited."""

    def get_provider(self, request: HttpRequest, provider: str, client_id: str | None = None) -> Any:
        """With our own way of asking it and of judging its answers."""
        from fleet.estate.identity_provider import IdentityProvider

        found = super().get_provider(request, provider, client_id)
        found.oauth2_adapter_class = IdentityProvider
        return found

    def pre_social_login(self, request: HttpRequest, sociallogin: Any) -> None:
        if sociallogin.is_existing:
            return
        confirmed = [row.email.strip().lower() for row in sociallogin.email_addresses if row.verified]
        if not confirmed:
            self._turn_away(request, "Your identity provider has not confirmed your e-mail address.")
        person = Person.objects.filter(email=confirmed[0]).first() or self._invited(confirmed[0], sociallogin)
        if person is None or not person.is_active:
            self._turn_away(request, "Nobody has invited you yet. Ask an owner of your organisation.")
        assert person is not None
        _take_over(person)
        sociallogin.connect(request, person)

    @staticmethod
    def _turn_away(request: HttpRequest, words: str) -> None:
        messages.error(request, words)
        raise ImmediateHttpResponse(redirect("pages:sign_in"))

    @staticmethod
    def _invited(email: str, sociallogin: Any) -> Person | None:
        with unscoped("a person who is not in yet comes with a confirmed address"):
            waiting = list(
                Invitation.objects.filter(
                    email=email, accepted_at=None, withdrawn_at=None, expires_at__gt=timezone.now()
                )
            )
        if not waiting:
            return None
        name = str((sociallogin.account.get_provider_account().get_user_data() or {}).get("name") or "")
        with transaction.atomic():
            person = people.join_as_new_person(waiting[0], name, None)
            for invitation in waiting[1:]:
                people.accept(invitation, person)
        return person

    def is_open_for_signup(self, request: HttpRequest, sociallogin: Any) -> bool:
        return False


def _take_over(person: Person) -> None:
    """Tie an account to a provider. Where the address was never confirmed here, its password may be a stranger's."""
    from allauth.account.models import EmailAddress

    known = EmailAddress.objects.filter(user=person, email=person.email, verified=True).exists()
    if not known and person.has_usable_password():
        person.set_unusable_password()
        person.save(update_fields=["password"])
        end_sessions(person)
    people.confirm_address(person)
    note_of_person("password", "Tied to the identity provider", person)
