"""The verbs of an organisation's people: invite, admit, change what somebody may do, let somebody go."""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from datetime import timedelta

from django.core import signing
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction
from django.utils import timezone

from fleet.estate.models import Membership, Organisation, Person, Property
from fleet.estate.people_rows import Invitation
from fleet.estate.scope import unscoped
from fleet.estate.security_log import note
from fleet.pages.words import how_many

INVITATION_LASTS = timedelta(days=7)
SALT = "fleet.estate.invitation"
OWNER = Membership.Role.OWNER


def _checked_reach(
    organisation: Organisation, role: str, property_ids: Iterable[int] | None
) -> list[Property] | None:
    """The chosen properties, or None for all. An owner always reaches all."""
    if role not in Membership.Role.values:
        raise ValidationError(
            {"role": f"{role!r} is not a role. One of: {', '.join(Membership.Role.values)}."}
        )
    if property_ids is None or role == OWNER:
        return None
    wanted = set(property_ids)
    found = list(Property.objects.filter(organisation=organisation, pk__in=wanted))
    if len(found) != len(wanted):
        raise ValidationError({"properties": "One of the chosen properties does not exist. Choose again."})
    if not found:
        raise ValidationError({"properties": "Choose at least one property, or all of them."})
    return found


def _reach_words(properties: list[Property] | None) -> str:
    return "all properties" if properties is None else how_many(len(properties), "property", "properties")


@transaction.atomic
def invite(
    organisation: Organisation,
    email: str,
    role: str,
    property_ids: Iterable[int] | None = None,
    by: Person | None = None,
) -> Invitation:
    """Invite an address, or renew its open invitation: the earlier link then ends."""
    email = email.strip().lower()
    validate_email(email)
    properties = _checked_reach(organisation, role, property_ids)
    if Membership.objects.filter(organisation=organisation, person__email=email).exists():
        raise ValidationError(
            {"email": f"{email} already belongs to this organisation. Change the role instead."}
        )
    row, _ = Invitation.objects.update_or_create(
        organisation=organisation,
        email=email,
        accepted_at=None,
        withdrawn_at=None,
        defaults={
            "role": role,
            "all_properties": properties is None,
            "nonce": secrets.token_urlsafe(32),
            "made_by": by,
            "mailed_at": None,
            "expires_at": timezone.now() + INVITATION_LASTS,
        },
    )
    row.properties.set(properties or [])
    note(
        "people",
        f"Invited {email} as {row.get_role_display()} for {_reach_words(properties)}",
        organisation_id=organisation.pk,
    )
    return row


def secret_of(invitation: Invitation) -> str:
    """The secret part of the link: signed, so that only its maker can make it, and void once `nonce` changes."""
    return signing.dumps([invitation.pk, invitation.nonce], salt=SALT)


def invitation_of(secret: str) -> Invitation | None:
    """The open invitation that a secret belongs to."""
    try:
        number, nonce = signing.loads(secret, salt=SALT, max_age=INVITATION_LASTS)
    except (signing.BadSignature, ValueError, TypeError):
        return None
    with unscoped("an invitation is opened by somebody who is not in yet"):
        row: Invitation | None = (
            Invitation.objects.select_related("organisation").filter(pk=number, nonce=nonce).first()
        )
    return row if row is not None and row.is_open else None


class InvitationGone(Exception):
    """The invitation was used, withdrawn or has expired in the meantime."""


@transaction.atomic
def accept(invitation: Invitation, person: Person) -> Membership:
    """Make the invited person a member. The row is claimed, so that one link admits one person once."""
    if person.email != invitation.email:
        raise ValidationError(
            f"This invitation is for {invitation.email}. You are signed in as {person.email}."
        )
    with unscoped("an invitation is accepted by somebody who is not in yet"):
        now = timezone.now()
        claimed = Invitation.objects.filter(
            pk=invitation.pk,
            nonce=invitation.nonce,
            accepted_at=None,
            withdrawn_at=None,
            expires_at__gt=now,
        ).update(accepted_at=now)
        if not claimed:
            raise InvitationGone
        membership, made = Membership.objects.get_or_create(
            organisation_id=invitation.organisation_id,
            person=person,
            defaults={"role": invitation.role, "all_properties": invitation.all_properties},
        )
        if made:
            membership.properties.set(invitation.properties.all())
            note(
                "people",
                f"{person.email} accepted the invitation as {membership.get_role_display()}",
                organisation_id=invitation.organisation_id,
                person=person,
            )
    return membership


@transaction.atomic
def join_as_new_person(invitation: Invitation, name: str, password: str | None) -> Person:
    """Make the account of an invited stranger and let it in. Without a password it signs in by other means."""
    person = Person.objects.create_user(invitation.email, password, name=name.strip()[:200])
    if invitation.mailed_at is not None:
        confirm_address(person)
    accept(invitation, person)
    return person


def confirm_address(person: Person) -> None:
    """Remember that the person has read a mail sent to her address."""
    from allauth.account.models import EmailAddress

    EmailAddress.objects.update_or_create(
        user=person, email=person.email, defaults={"verified": True, "primary": True}
    )


@transaction.atomic
def withdraw(invitation: Invitation) -> None:
    if Invitation.objects.filter(pk=invitation.pk, accepted_at=None, withdrawn_at=None).update(
        withdrawn_at=timezone.now()
    ):
        note(
            "people",
            f"Withdrew the invitation of {invitation.email}",
            organisation_id=invitation.organisation_id,
        )


def keep_an_owner(membership: Membership) -> None:
    """Refuse to take the last owner's place away. The rows are locked, so that two owners cannot both go at once."""
    owners = list(
        Membership.objects.select_for_update()
        .filter(organisation_id=membership.organisation_id, role=OWNER)
        .order_by("pk")
    )
    if [owner.pk for owner in owners] == [membership.pk]:
        raise ValidationError(
            "This is the organisation's only owner. Make somebody else an owner first, then come back."
        )


@transaction.atomic
def change_member(membership: Membership, role: str, property_ids: Iterable[int] | None = None) -> Membership:
    """Give a member another role or other properties. Works from her next page on."""
    organisation = membership.organisation
    properties = _checked_reach(organisation, role, property_ids)
    if membership.role == OWNER and role != OWNER:
        keep_an_owner(membership)
    before = membership.get_role_display()
    membership.role = role
    membership.all_properties = properties is None
    membership.save(update_fields=["role", "all_properties"])
    membership.properties.set(properties or [])
    note(
        "people",
        f"{membership.person.email}: from {before} to {membership.get_role_display()}, {_reach_words(properties)}",
        organisation_id=organisation.pk,
    )
    return membership


@transaction.atomic
def remove_member(membership: Membership) -> None:
    """Take a person out of an organisation. What she has done stays in the history under her name."""
    if membership.role == OWNER:
        keep_an_owner(membership)
    email, organisation_id = membership.person.email, membership.organisation_id
    membership.delete()
    note("people", f"Removed {email} from the organisation", organisation_id=organisation_id)


@transaction.atomic
def change_organisation(organisation: Organisation, name: str, second_factor_required: bool) -> None:
    """Change what holds for the whole organisation."""
    name = name.strip()
    if not name:
        raise ValidationError({"name": "An organisation has a name."})
    if Organisation.objects.filter(name=name).exclude(pk=organisation.pk).exists():
        raise ValidationError({"name": "This name is taken. Add a place or a department to it."})
    changes = []
    if name != organisation.name:
        changes.append(f"name from {organisation.name} to {name}")
    if second_factor_required != organisation.second_factor_required:
        changes.append("second factor " + ("required" if second_factor_required else "no longer required"))
    organisation.name = name
    organisation.second_factor_required = second_factor_required
    organisation.save(update_fields=["name", "second_factor_required"])
    for words in changes:
        note("organisation", f"Changed {words}"[:300], organisation_id=organisation.pk)
