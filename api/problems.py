"""Every refusal as problem details (RFC 9457), naming each field by JSON pointer (RFC 6901) or query parameter."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from django.core.exceptions import PermissionDenied, RequestDataTooBig, ValidationError
from django.core.signals import got_request_exception
from django.db import OperationalError
from django.http import Http404, HttpRequest, HttpResponse
from rest_framework import exceptions

from api.feed import FeedReplaced
from fleet.care.services import CareRefused
from fleet.contracts.book import BookRefused
from fleet.contracts.claims import ClaimRefused
from fleet.contracts.offers import OfferRefused
from fleet.contracts.paying import JobRefused
from fleet.contracts.pricing import PricingRefused
from fleet.contracts.running import ContractRefused
from fleet.contracts.survey import SurveyRefused
from fleet.estate.grants import GrantRefused
from fleet.estate.tokens import TokenRefused
from fleet.heaters.attachments import RefusedFile
from fleet.heaters.record_services import ChangedMeanwhile
from fleet.heaters.services import NothingTaken, UnreadableFile
from fleet.planning.capital import CapitalRefused
from fleet.planning.priors import PriorRefused
from fleet.planning.reports import ReportRefused
from fleet.planning.reviews import ReviewRefused
from fleet.planning.services import CostBookRefused, RunRefused
from fleet.planning.successors import SuccessorRefused
from fleet.reminders.escalation import RuleRefused
from fleet.reminders.hooks import HookRefused
from fleet.reminders.outbox import CannotSettle
from fleet.reminders.preferences import WishRefused

logger = logging.getLogger(__name__)
CONTENT_TYPE = "application/problem+json"
# name -> (status, title). The documentation page has a paragraph under each name.
KINDS: dict[str, tuple[int, str]] = {
    "malformed": (400, "The request cannot be read"),
    "parameter": (400, "A parameter of the address cannot be used"),
    "not-signed-in": (401, "A token is needed"),
    "not-allowed": (403, "This token or role does not include this"),
    "not-found": (404, "There is nothing here"),
    "method": (405, "This cannot be done here"),
    "not-now": (409, "As things stand this cannot be done"),
    "feed-replaced": (410, "This cursor leads nowhere any more"),
    "changed-meanwhile": (412, "Somebody else changed this after it was read"),
    "too-large": (413, "The content is too large"),
    "media-type": (415, "This kind of content is not read here"),
    "refused": (422, "Some values cannot be taken"),
    "key-reused": (422, "This key was used for another request"),
    "match-needed": (428, "Say which state you read: send If-Match"),
    "too-many": (429, "Too many requests"),
    "broken": (500, "Something went wrong on our side"),
    "busy": (503, "The database is busy"),
}


class Problem(Exception):
    """A refusal by its kind. `errors` holds {"pointer" or "parameter": ..., "detail": ...}."""

    def __init__(
        self,
        kind: str,
        detail: str = "",
        errors: Iterable[Mapping[str, str]] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(detail or kind)
        self.kind, self.detail = kind, detail
        self.errors = [dict(error) for error in errors]
        self.headers = dict(headers or {})

    @property
    def status(self) -> int:
        return KINDS[self.kind][0]

    def body(self) -> dict[str, Any]:
        status, title = KINDS[self.kind]
        body: dict[str, Any] = {"type": f"/api/#problem-{self.kind}", "title": title, "status": status}
        if self.detail:
            body["detail"] = self.detail
        if self.errors:
            body["errors"] = self.errors
        return body

    def response(self) -> HttpResponse:
        response = HttpResponse(json.dumps(self.body()), status=self.status, content_type=CONTENT_TYPE)
        for name, value in self.headers.items():
            response[name] = value
        return response


def pointed(
    problems: Mapping[str, Any], under: str = "", names: Mapping[str, str] | None = None
) -> list[dict[str, str]]:
    """Field -> words, as errors with pointers; `names` maps a verb's field to the one that was sent."""
    renamed = names or {}
    return [
        {"pointer": f"{under}/{escaped(renamed.get(field, field))}", "detail": _words(words)}
        for field, words in problems.items()
    ]


def escaped(step: object) -> str:
    return str(step).replace("~", "~0").replace("/", "~1")


def _words(words: Any) -> str:
    return " ".join(map(str, words)) if isinstance(words, list | tuple) else str(words)


def flattened(detail: Any, under: str = "") -> list[dict[str, str]]:
    """The validator's nested dictionaries and lists as a flat list of pointers."""
    if isinstance(detail, dict):
        found = []
        for name, inner in detail.items():
            step = under if name == "non_field_errors" else f"{under}/{escaped(name)}"
            found += flattened(inner, step)
        return found
    if isinstance(detail, list) and any(isinstance(one, dict | list) for one in detail):
        return [
            error for index, one in enumerate(detail) if one for error in flattened(one, f"{under}/{index}")
        ]
    return [{"pointer": under, "detail": _words(detail)}]


def _from_validation(error: ValidationError) -> Problem:
    if hasattr(error, "error_dict"):
        return Problem("refused", errors=pointed(dict(error.message_dict)))
    return Problem("refused", " ".join(error.messages))


def _from_care(error: CareRefused) -> Problem:
    found = pointed(error.problems, names=SENT_AS)
    return Problem("refused" if error.problems else "not-now", str(error), found)


def _from_framework(error: exceptions.APIException) -> Problem:
    if isinstance(error, exceptions.ValidationError):
        return Problem("refused", errors=flattened(error.detail))
    if isinstance(error, exceptions.NotAuthenticated | exceptions.AuthenticationFailed):
        return Problem("not-signed-in", str(error.detail), headers={"WWW-Authenticate": 'Bearer realm="api"'})
    kinds = {400: "malformed", 403: "not-allowed", 404: "not-found", 405: "method", 415: "media-type"}
    return Problem(kinds.get(error.status_code, "malformed"), str(error.detail))


# Refusals of verbs that say in one sentence what is wrong and what would be right.
SAID_IN_WORDS: tuple[type[Exception], ...] = (
    RunRefused,
    CapitalRefused,
    NothingTaken,
    SurveyRefused,
    PricingRefused,
    OfferRefused,
    ContractRefused,
    JobRefused,
    ClaimRefused,
    BookRefused,
    PriorRefused,
    ReportRefused,
    ReviewRefused,
    SuccessorRefused,
)
# Refusals that say it for each field; what the verb calls a field, and the name that was sent.
SAID_BY_FIELD: tuple[type[Exception], ...] = (
    TokenRefused,
    HookRefused,
    RuleRefused,
    WishRefused,
    GrantRefused,
)
SENT_AS = {"person": "person_id", "properties": "property_ids", "people": "person_ids"}


def _by_field(error: Any) -> Problem:
    return Problem("refused", errors=pointed(error.problems, names=SENT_AS))


FROM: tuple[tuple[type[Exception], Callable[[Any], Problem]], ...] = (
    (Problem, lambda error: error),
    (exceptions.APIException, _from_framework),
    (Http404, lambda error: Problem("not-found")),
    (PermissionDenied, lambda error: Problem("not-allowed", str(error))),
    (ValidationError, _from_validation),
    (ChangedMeanwhile, lambda error: Problem("changed-meanwhile")),
    (CareRefused, _from_care),
    *((kind, _by_field) for kind in SAID_BY_FIELD),
    (CannotSettle, lambda error: Problem("not-now", str(error))),
    (CostBookRefused, lambda error: Problem("refused", " ".join(error.problems))),
    (
        UnreadableFile,
        lambda error: Problem("refused", str(error), [{"pointer": "/file", "detail": str(error)}]),
    ),
    (RefusedFile, lambda error: Problem("refused", str(error), [{"pointer": "/file", "detail": str(error)}])),
    *((kind, lambda error: Problem("refused", str(error))) for kind in SAID_IN_WORDS),
    (FeedReplaced, lambda error: Problem("feed-replaced", str(error))),
    (RequestDataTooBig, lambda error: Problem("too-large")),
    (OperationalError, lambda error: Problem("busy", headers={"Retry-After": "2"})),
)


def problem_of(error: Exception) -> Problem | None:
    """The problem an error stands for; None for an error of the program."""
    for kind, made in FROM:
        if isinstance(error, kind):
            return made(error)
    return None


def response_to(error: Exception, request: HttpRequest) -> HttpResponse:
    problem = problem_of(error)
    if problem is None or isinstance(error, OperationalError):
        logger.exception("The API could not answer %s %s", request.method, request.path)
    if problem is None:
        got_request_exception.send(sender=None, request=request)
        problem = Problem("broken", "Nothing was half saved.")
    return problem.response()
