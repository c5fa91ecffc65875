"""The security log: sign-ins, failures, changes of rights, tokens, exports. Never a secret, never a password.

Each event is a row for the owners of the organisation and a line in the program's own log.
"""

from __future__ import annotations

import logging
from contextvars import ContextVar

from fleet.estate.models import Membership, Person
from fleet.estate.people_rows import SecurityEvent
from fleet.estate.scope import current_scope, unscoped

logger = logging.getLogger("almanac.security")
# Where the request at hand comes from; empty in jobs and commands.
came_from: ContextVar[str] = ContextVar("came_from", default="")

KINDS = {
    "signed_in": "signed in",
    "sign_in_failed": "sign-in failed",
    "signed_out": "signed out",
    "password": "password",
    "second_factor": "second factor",
    "sessions": "sessions",
    "people": "people and roles",
    "organisation": "organisation",
    "token": "tokens",
    "export": "exports",
    "privacy": "personal data",
}


def note(kind: str, words: str, *, organisation_id: int, person: Person | None = None) -> None:
    """Write one event of the current scope's organisation, in the transaction of what happened."""
    if kind not in KINDS:
        raise LookupError(f"{kind!r} is not a kind of the security log. Known: {', '.join(KINDS)}.")
    scope = current_scope()
    person_id = person.pk if person else scope.person_id
    actor = str(person) if person else scope.actor
    SecurityEvent.objects.create(
        organisation_id=organisation_id,
        kind=kind,
        person_id=person_id,
        actor=actor[:200],
        words=words[:300],
        address=came_from.get(),
    )
    logger.info("%s organisation=%s person=%s from=%s", kind, organisation_id, person_id, came_from.get())


def note_of_person(kind: str, words: str, person: Person) -> None:
    """An event of a person, told to the owners of each organisation she belongs to."""
    with unscoped("an event at the door concerns all organisations of the person"):
        for number in Membership.objects.filter(person=person).values_list("organisation_id", flat=True):
            note(kind, words, organisation_id=number, person=person)
