"""The verbs of organisations and people."""

from __future__ import annotations

import secrets
from typing import Any

from django.db import transaction

from fleet.estate.history import record_change
from fleet.estate.models import Membership, Organisation, Person, Property


@transaction.atomic
def found_organisation(name: str, kind: str = Organisation.Kind.OWNER, **fields: object) -> Organisation:
    """Make an organisation, or return the one of that name."""
    organisation, _ = Organisation.objects.get_or_create(name=name, defaults={"kind": kind, **fields})
    return organisation


@transaction.atomic
def admit_person(organisation: Organisation, email: str, role: str, name: str = "") -> str | None:
    """Give a person a role. Returns the password made for a new person; None when she already had one."""
    person = Person.objects.filter(email=email.lower()).first()
    password = None
    if person is None:
        password = "-".join(secrets.token_hex(2) for _ in range(4))
        person = Person.objects.create_user(email, password, name=name)
    Membership.objects.update_or_create(organisation=organisation, person=person, defaults={"role": role})
    return password


@transaction.atomic
def save_property(organisation: Organisation, name: str, **fields: Any) -> Property:
    """Make a property or change the one of that name; only what differs is written, with its history."""
    row = Property.objects.filter(organisation=organisation, name=name).first()
    if row is None:
        row = Property(organisation=organisation, name=name, **fields)
        row.full_clean(exclude=["organisation"])
        row.save()
        record_change(row, "put on record")
        return row
    changes = {
        field: (getattr(row, field), value) for field, value in fields.items() if getattr(row, field) != value
    }
    if changes:
        for field, (_, value) in changes.items():
            setattr(row, field, value)
        row.full_clean(exclude=["organisation"])
        row.save(update_fields=list(changes))
        record_change(row, "changed", changes)
    return row
