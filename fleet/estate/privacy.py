"""A person's own data: handed to her as a file, or erased.

What hangs on a person and is nothing without her (memberships, sessions, second factors, tokens, wishes) goes with
her: these are the rows that the database would delete with her. What she did for an organisation stays in its history
under a placeholder: these are the rows that would only lose sight of her.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from typing import Any

from django.apps import apps
from django.db import models, transaction

from fleet.estate.models import (
    FormerAddress,
    HistoryEntry,
    Invitation,
    Membership,
    Organisation,
    Person,
    SecurityEvent,
)
from fleet.estate.people import keep_an_owner
from fleet.estate.scope import ScopedModel, unscoped
from fleet.estate.security_log import logger
from fleet.estate.sessions import end_sessions

# Columns whose content would open a door; they are left out of the file.
NOT_HANDED_OUT = ("password", "digest", "secret", "nonce", "salt", "session_key", "data", "key")
ROWS_A_TABLE = 10_000


def links_to_person() -> Iterator[tuple[type[models.Model], models.ForeignKey[Any, Any], bool]]:
    """Every column of every table that names a person, and whether its row goes with her."""
    for model in apps.get_models():
        for field in model._meta.concrete_fields:
            if isinstance(field, models.ForeignKey) and field.related_model is Person:
                yield model, field, field.remote_field.on_delete is models.CASCADE


def placeholder(person: Person) -> str:
    return f"a former member (no. {person.pk})"


def personal_data(person: Person) -> dict[str, Any]:
    """Everything on record about a person, as plain values. Secrets are left out."""
    with unscoped("a person asks for everything on record about her"):
        tables: dict[str, list[dict[str, Any]]] = {}
        for model, field, _ in links_to_person():
            rows = model._base_manager.filter(**{field.name: person}).order_by("pk")[:ROWS_A_TABLE]
            if found := [_plain_row(row) for row in rows]:
                tables.setdefault(f"{model._meta.verbose_name_plural} by {field.name}", []).extend(found)
        invitations = Invitation.objects.filter(email=person.email)
        tables["invitations to your address"] = [_plain_row(row) for row in invitations]
    return {"person": _plain_row(person), "rows": tables}


def _plain_row(row: models.Model) -> dict[str, Any]:
    names = [
        field.attname
        for field in row._meta.concrete_fields
        if not any(mark in field.name for mark in NOT_HANDED_OUT)
    ]
    return {name: _plain(getattr(row, name)) for name in names}


def _plain(value: Any) -> Any:
    if isinstance(value, date | datetime):
        return value.isoformat()
    return value if isinstance(value, str | int | float | bool | list | dict) or value is None else str(value)


@transaction.atomic
def erase_person(person: Person) -> None:
    """Erase a person. Refused while she is the only owner of an organisation. Cannot be taken back."""
    for membership in Membership.objects.filter(person=person, role=Membership.Role.OWNER):
        keep_an_owner(membership)
    name, instead = str(person), placeholder(person)
    addresses = {person.email, *FormerAddress.objects.filter(person=person).values_list("email", flat=True)}
    with unscoped("erasing a person concerns every organisation she has worked for"):
        end_sessions(person)
        organisations = set(_organisations_of(person))
        _rename(organisations, {name, *addresses}, instead)
        _blot_out(organisations, addresses, instead, person)
        Invitation.objects.filter(email__in=addresses).delete()
        for model, field, goes in links_to_person():
            if goes:
                model._base_manager.filter(**{field.name: person}).delete()
    person.email, person.name = f"erased-{person.pk}@removed.invalid", instead
    person.is_active = person.is_staff = person.is_superuser = False
    person.last_login = None
    person.set_unusable_password()
    person.save()
    logger.info("erased person=%s", person.pk)


def _organisations_of(person: Person) -> Iterator[int]:
    """The organisations in which something names her."""
    for model, field, _ in links_to_person():
        if issubclass(model, ScopedModel):
            named = model._base_manager.filter(**{field.name: person})
            yield from named.order_by().values_list("organisation_id", flat=True).distinct()
    yield from Membership.objects.filter(person=person).values_list("organisation_id", flat=True)
    yield from Invitation.objects.filter(email=person.email).values_list("organisation_id", flat=True)


def _rename(organisations: set[int], names: set[str], instead: str) -> None:
    """Put the placeholder where a row keeps her name as words ("by whom") beside or instead of the link."""
    houses = dict(Organisation.objects.filter(pk__in=organisations).values_list("pk", "name"))
    written = names | {f"{name}, {house}" for name in names for house in houses.values()}
    for model in apps.get_models():
        if not issubclass(model, ScopedModel):
            continue
        for field in model._meta.concrete_fields:
            if isinstance(field, models.CharField) and (field.name == "actor" or field.name.endswith("_by")):
                rows = model._base_manager.filter(organisation_id__in=organisations)
                rows.filter(**{f"{field.name}__in": written}).update(
                    **{field.name: instead[: field.max_length]}
                )


def _blot_out(organisations: set[int], addresses: set[str], instead: str, person: Person) -> None:
    """Take her addresses out of the sentences of the security log, and where she came from."""
    events = SecurityEvent.objects.filter(organisation_id__in=organisations)
    for email in addresses:
        for event in events.filter(words__icontains=email).iterator():
            event.words = event.words.replace(email, instead)[:300]
            event.save(update_fields=["words"])
    events.filter(person=person).update(actor=instead, address="")
    HistoryEntry.objects.filter(organisation_id__in=organisations, person=person).update(actor=instead)
