"""Who asks: by token, or by the session of the pages. Either way the scope is the one that pages act in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.middleware.csrf import CsrfViewMiddleware

from api.problems import Problem
from fleet.estate.access import GRANTS, Need
from fleet.estate.models import AccessToken, Membership, Organisation
from fleet.estate.scope import Scope, current_scope
from fleet.estate.tokens import find_holder, named, note_refusal

SAFE = ("GET", "HEAD", "OPTIONS")


@dataclass(frozen=True)
class Caller:
    name: str  # who counts for limits and keys
    organisation: Organisation
    membership: Membership | None
    needs: frozenset[Need]
    scope: Scope
    token: AccessToken | None = None

    @property
    def token_id(self) -> int | None:
        return self.token.pk if self.token else None

    def note_refusal(self, need: Need) -> None:
        """A token that asks for more than it may is told to the owners; a person at the pages is not."""
        if self.token is not None:
            note_refusal(self.token, f"Turned away {named(self.token)}: it may not {need.value}")

    @property
    def sees_all_properties(self) -> bool:
        return any(
            reach.organisation_id == self.organisation.pk and reach.property_ids is None
            for reach in self.scope.reaches
        )


def caller_of(request: HttpRequest) -> Caller:
    """Raises the problem that asks for a token when nobody known is asking."""
    written = request.headers.get("Authorization", "")
    if written:
        scheme, _, secret = written.partition(" ")
        holder = find_holder(secret.strip()) if scheme.lower() == "bearer" else None
        if holder is None:
            raise _nobody(
                "This token is unknown, revoked, expired, or made without the second factor that is asked for here."
            )
        token = holder.token
        name = f"person {token.person_id}" if token.person_id else f"token {token.pk}"
        return Caller(name, holder.organisation, holder.membership, holder.needs, holder.scope, token)
    membership: Membership | None = getattr(request, "membership", None)
    if membership is None:
        raise _nobody("Send Authorization: Bearer and a token.")
    if request.method not in SAFE:
        _check_page_token(request)
    return Caller(
        f"person {membership.person_id}",
        membership.organisation,
        membership,
        GRANTS[membership.role],
        current_scope(),
    )


def _nobody(words: str) -> Problem:
    return Problem("not-signed-in", words, headers={"WWW-Authenticate": 'Bearer realm="api"'})


class _PageToken(CsrfViewMiddleware):
    def _reject(self, request: HttpRequest, reason: str) -> Any:
        return reason


def _check_page_token(request: HttpRequest) -> None:
    """A session rides along with any page's request, so writing with one needs the page's own token too."""
    check = _PageToken(lambda answered: HttpResponse())
    check.process_request(request)
    refused: Any = check.process_view(request, lambda: None, (), {})  # type: ignore[arg-type,return-value]
    if refused:
        raise Problem("not-allowed", "With a session, send the page's X-CSRFToken; or use a token.")
