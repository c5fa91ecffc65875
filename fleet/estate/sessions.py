"""A person's sessions: which there are, ending them, and how long one may last."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import import_module
from typing import Any

from allauth.mfa.signals import authenticator_added, authenticator_removed, authenticator_reset
from django.conf import settings
from django.contrib.auth import logout
from django.contrib.auth.signals import user_logged_in, user_logged_out
from django.dispatch import receiver
from django.http import HttpRequest, HttpResponse

from fleet.estate import throttle
from fleet.estate.models import Person
from fleet.estate.security_log import came_from, note_of_person

SEEN_EVERY_SECONDS = 600


@dataclass(frozen=True)
class Sitting:
    """One session as shown to its person."""

    number: int
    device: str
    address: str
    began: datetime
    seen: datetime
    is_this_one: bool


def _device(user_agent: str) -> str:
    """A browser and a system in plain words, as far as the browser says."""
    systems = ("Android", "iPhone", "iPad", "Windows", "Mac OS", "Linux")
    browsers = (("Edg", "Edge"), ("Firefox", "Firefox"), ("Chrome", "Chrome"), ("Safari", "Safari"))
    browser = next((name for mark, name in browsers if mark in user_agent), "A program")
    system = next((name for name in systems if name in user_agent), "")
    return f"{browser} on {system}" if system else browser


def sittings(request: HttpRequest, person: Person) -> list[Sitting]:
    """The person's open sessions, this one first."""
    from allauth.usersessions.models import UserSession

    store = import_module(settings.SESSION_ENGINE).SessionStore
    found = []
    for row in UserSession.objects.purge_and_list(person):
        seen = store(row.session_key).get("seen_at")
        found.append(
            Sitting(
                row.pk,
                _device(row.user_agent),
                row.ip,
                row.created_at,
                datetime.fromtimestamp(seen, UTC) if seen else row.created_at,
                row.session_key == request.session.session_key,
            )
        )
    return sorted(found, key=lambda one: (not one.is_this_one, -one.seen.timestamp()))


def end_session(person: Person, number: int) -> bool:
    """End one session of the person; False where she has no such session."""
    from allauth.usersessions.models import UserSession

    row = UserSession.objects.filter(user=person, pk=number).first()
    if row is None:
        return False
    row.end()
    note_of_person("sessions", "Ended one session", person)
    return True


def end_sessions(person: Person, but: str | None = None) -> int:
    """End all sessions of the person, but the one with this key."""
    from allauth.usersessions.models import UserSession

    rows = list(UserSession.objects.filter(user=person).exclude(session_key=but or ""))
    for row in rows:
        row.end()
    if rows:
        note_of_person("sessions", f"Ended sessions: {len(rows)}", person)
    return len(rows)


@receiver(user_logged_in, dispatch_uid="estate_signed_in")
def _signed_in(sender: Any, request: HttpRequest, user: Person, **_: Any) -> None:
    request.session["began_at"] = request.session["seen_at"] = int(time.time())
    request.device_of = user.email  # type: ignore[attr-defined]
    note_of_person("signed_in", "Signed in", user)


@receiver(user_logged_out, dispatch_uid="estate_signed_out")
def _signed_out(sender: Any, request: HttpRequest, user: Person | None, **_: Any) -> None:
    if user is not None:
        note_of_person("signed_out", "Signed out", user)


@receiver(authenticator_added, dispatch_uid="estate_factor_added")
def _factor_added(sender: Any, request: HttpRequest, user: Person, authenticator: Any, **_: Any) -> None:
    """Sessions elsewhere were opened without it: they end, so that every open session has passed a second factor."""
    note_of_person("second_factor", f"Set up a second factor: {_factor_words(authenticator)}", user)
    end_sessions(user, but=request.session.session_key)


@receiver(authenticator_removed, dispatch_uid="estate_factor_removed")
def _factor_removed(sender: Any, request: HttpRequest, user: Person, authenticator: Any, **_: Any) -> None:
    note_of_person("second_factor", f"Removed a second factor: {_factor_words(authenticator)}", user)


@receiver(authenticator_reset, dispatch_uid="estate_factor_reset")
def _factor_reset(sender: Any, request: HttpRequest, user: Person, authenticator: Any, **_: Any) -> None:
    note_of_person("second_factor", f"Made anew: {_factor_words(authenticator)}", user)


def _factor_words(authenticator: Any) -> str:
    words = {"totp": "authenticator app", "webauthn": "key", "recovery_codes": "recovery codes"}
    return words.get(authenticator.type, str(authenticator.type))


class SessionMiddleware:
    """Ends a session that is too old or was left alone too long; remembers a device that has just signed in."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        token = came_from.set(throttle.client_address(request))
        try:
            self._look_at_the_clock(request)
            response = self.get_response(request)
        finally:
            came_from.reset(token)
        if account := getattr(request, "device_of", ""):
            throttle.remember_device(request, response, account)
        return response

    @staticmethod
    def _look_at_the_clock(request: HttpRequest) -> None:
        if not request.user.is_authenticated:
            return
        now, session = int(time.time()), request.session
        began, seen = session.get("began_at", now), session.get("seen_at", now)
        if now - began > settings.SESSION_COOKIE_AGE or now - seen > settings.SESSION_IDLE_SECONDS:
            logout(request)
        elif "began_at" not in session or now - seen > SEEN_EVERY_SECONDS:
            session["began_at"], session["seen_at"] = began, now
