"""A person changes the address that she signs in with: by a link sent to the new one, told to the old one."""

from __future__ import annotations

from typing import Any

from django.core import signing
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.utils.crypto import constant_time_compare, salted_hmac

from fleet.estate import account_mail
from fleet.estate.models import Membership, Person
from fleet.estate.people import confirm_address
from fleet.estate.people_rows import FormerAddress
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.estate.security_log import note_of_person
from fleet.estate.sessions import end_sessions

SALT = "fleet.estate.new_address"
LINK_LASTS_SECONDS = 3600


class AddressGone(Exception):
    """The link has run out, was used, belongs to somebody else, or the password has changed since."""


def _state(person: Person) -> str:
    """Whose link it is, and what it is good for: once the address or the password changes it is void."""
    return salted_hmac(
        SALT, f"{person.pk}\n{person.email}\n{person.password}", algorithm="sha256"
    ).hexdigest()


def secret_for(person: Person, email: str) -> str:
    return signing.dumps([email, _state(person)], salt=SALT)


def address_in(secret: str, person: Person) -> str:
    """The new address that a link of this person's stands for. Raises AddressGone."""
    try:
        email, state = signing.loads(secret, salt=SALT, max_age=LINK_LASTS_SECONDS)
    except (signing.BadSignature, ValueError, TypeError):
        raise AddressGone from None
    if not constant_time_compare(str(state), _state(person)):
        raise AddressGone
    return str(email)


def ask_for_change(person: Person, email: str, root: str) -> bool:
    """Ask for the mail to the new address. Whether the address is taken is looked at behind, so nobody learns it here.

    False where the person belongs to no organisation, whose job the mail would be.
    """
    membership = Membership.objects.filter(person=person).order_by("id").first()
    if membership is None:
        return False
    with scoped(scope_of_organisation(membership.organisation_id)):
        account_mail.send_new_address(person, email, root, membership.organisation_id)
    note_of_person("password", "Asked to change the address for signing in", person)
    return True


@transaction.atomic
def change_address(person: Person, secret: str, here: str | None) -> str:
    """Take the new address. Ends her other sessions (`here` is the key of the one that stays)."""
    row = Person.objects.select_for_update().get(pk=person.pk)
    email, old = address_in(secret, row), row.email
    row.email = email
    try:
        with transaction.atomic():
            row.save(update_fields=["email"])
    except IntegrityError:
        raise ValidationError(
            f"{email} has an account of its own. Sign in with it, or erase it first."
        ) from None
    FormerAddress.objects.get_or_create(person=row, email=old)
    _confirm_alone(row)
    end_sessions(row, but=here)
    note_of_person("password", "Changed the address for signing in", row)
    _tell_the_old_one(row, old)
    person.email = email
    return email


def _confirm_alone(person: Person) -> None:
    """The new address is confirmed by its link; the old one stands for her no more."""
    from allauth.account.models import EmailAddress

    EmailAddress.objects.filter(user=person).delete()
    confirm_address(person)


def _tell_the_old_one(person: Person, old: str) -> None:
    membership: Any = Membership.objects.filter(person=person).order_by("id").first()
    if membership is not None:
        with scoped(scope_of_organisation(membership.organisation_id)):
            account_mail.send_address_changed(person, old, membership.organisation_id)
