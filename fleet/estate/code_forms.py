"""A code of an app opens the door once, whichever process it meets."""

from __future__ import annotations

from allauth.mfa.base.forms import AuthenticateForm, ReauthenticateForm
from allauth.mfa.models import Authenticator
from django.core.exceptions import ValidationError

from fleet.estate import throttle


class _OnceEach:
    def clean_code(self) -> str:
        code: str = super().clean_code()  # type: ignore[misc]
        used: Authenticator = self.authenticator  # type: ignore[attr-defined]
        if used.type == Authenticator.Type.TOTP and not throttle.first_use("code", str(used.user_id), code):
            raise ValidationError("This code was used already. Wait for the next one.")
        return code


class CodeForm(_OnceEach, AuthenticateForm):
    """At sign-in."""


class CodeAgainForm(_OnceEach, ReauthenticateForm):
    """Before a change of how one signs in."""
