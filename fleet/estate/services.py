"""The verbs of organisations and people."""

from __future__ import annotations

import secrets

from django.db import transaction

from fleet.estate.models import Membership, Organisation, Person


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
