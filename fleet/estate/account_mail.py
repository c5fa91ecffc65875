"""Mail about accounts: invitations and new passwords. Sent by a job, so that a page answers alike for everybody.

A job's row holds no secret: the link is made when the mail is written.
"""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.contrib.auth.tokens import default_token_generator
from django.core.mail import EmailMessage
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_encode

from fleet.estate.access import Need
from fleet.estate.acting import Acting
from fleet.estate.background import Running, enqueue, register
from fleet.estate.models import Membership, Person
from fleet.estate.people import secret_of
from fleet.estate.people_rows import Invitation


def join_address(invitation: Invitation, root: str) -> str:
    return root.rstrip("/") + reverse("estate:join", args=[secret_of(invitation)])


def send_invitation(invitation: Invitation, root: str) -> None:
    """Ask for the mail of an invitation. `root` is the address of these pages, as the asking browser sees it."""
    enqueue("mail_invitation", {"invitation": invitation.pk, "root": root}, invitation.organisation_id)


def send_new_password(email: str, root: str) -> None:
    """Ask for the mail with which a person sets a new password; an unknown address gets none."""
    from fleet.estate.scope import scope_of_organisation, scoped

    person = Person.objects.filter(email=email.strip().lower(), is_active=True).first()
    membership = Membership.objects.filter(person=person).order_by("id").first() if person else None
    if person is None or membership is None:
        return
    with scoped(scope_of_organisation(membership.organisation_id)):
        enqueue("mail_new_password", {"person": person.pk, "root": root}, membership.organisation_id)


def send_new_address(person: Person, email: str, root: str, organisation_id: int) -> None:
    """Ask for the mail with which a person takes a new address; one that is taken gets none."""
    enqueue("mail_new_address", {"person": person.pk, "email": email, "root": root}, organisation_id)


def send_address_changed(person: Person, old: str, organisation_id: int) -> None:
    """Ask for the notice to the address that a person had before."""
    enqueue("mail_address_changed", {"person": person.pk, "email": old}, organisation_id)


@register(
    "mail_invitation",
    for_whom=Need.ADMIN,
    name="Mail: invitation",
    does="Sends the link to join to the person who was invited.",
)
def mail_invitation(job: Running) -> dict[str, Any]:
    row = (
        Invitation.objects.select_related("organisation", "made_by")
        .filter(pk=job.payload["invitation"])
        .first()
    )
    if row is None or not row.is_open:
        return {"sent": "no, the invitation is no longer open"}
    _mail(
        row.email,
        f"You are invited to {row.organisation.name}",
        "estate/mail/invitation.txt",
        {"invitation": row, "link": join_address(row, job.payload["root"])},
    )
    Invitation.objects.filter(pk=row.pk, nonce=row.nonce).update(mailed_at=timezone.now())
    return {"sent": "yes"}


@register(
    "mail_new_password",
    for_whom=Acting.ORGANISATION,
    name="Mail: new password",
    does="Sends the link to set a new password to the person who asked for it.",
)
def mail_new_password(job: Running) -> dict[str, Any]:
    person = Person.objects.filter(pk=job.payload["person"], is_active=True).first()
    if person is None:
        return {}
    arguments = [urlsafe_base64_encode(force_bytes(person.pk)), default_token_generator.make_token(person)]
    link = job.payload["root"].rstrip("/") + reverse("estate:new_password", args=arguments)
    hours = settings.PASSWORD_RESET_TIMEOUT // 3600
    _mail(person.email, "A new password", "estate/mail/new_password.txt", {"link": link, "hours": hours})
    return {}


@register(
    "mail_new_address",
    for_whom=Acting.ORGANISATION,
    name="Mail: new address",
    does="Sends the link that confirms a new address to the person who gave it.",
)
def mail_new_address(job: Running) -> dict[str, Any]:
    from fleet.estate.mail_address import LINK_LASTS_SECONDS, secret_for

    person = Person.objects.filter(pk=job.payload["person"], is_active=True).first()
    email = job.payload["email"]
    if person is None or Person.objects.filter(email=email).exists():
        return {}
    link = job.payload["root"].rstrip("/") + reverse("estate:take_address", args=[secret_for(person, email)])
    hours = LINK_LASTS_SECONDS // 3600
    _mail(email, "Your new address", "estate/mail/new_address.txt", {"link": link, "hours": hours})
    return {}


@register(
    "mail_address_changed",
    for_whom=Acting.ORGANISATION,
    name="Mail: address changed",
    does="Tells the address used until now that another took its place, for the account's owner.",
)
def mail_address_changed(job: Running) -> dict[str, Any]:
    old = job.payload["email"]
    _mail(old, "Your address was changed", "estate/mail/address_changed.txt", {"old": old})
    return {}


def _mail(to: str, subject: str, template: str, context: dict[str, Any]) -> None:
    EmailMessage(" ".join(subject.split()), render_to_string(template, context), to=[to]).send()
