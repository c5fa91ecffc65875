"""manage.py open_company: a plumbing company of its own, with its first person and the code for its clients."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError
from django.core.validators import validate_email

from fleet.estate.acting import Acting
from fleet.estate.grants import code_of
from fleet.estate.models import Membership, Organisation
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.estate.services import admit_person, found_organisation


class Command(BaseCommand):
    for_whom = Acting.OPERATOR
    help = "Makes a plumbing company and admits its first person, as owner. Run again it changes nothing."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("name", help="the company's name")
        parser.add_argument("--email", required=True, help="with which its first person signs in")

    def handle(self, *args: Any, **options: Any) -> None:
        name, email = options["name"].strip(), options["email"].strip()
        try:
            validate_email(email)
        except ValidationError:
            raise CommandError(f"{email!r} is not an e-mail address.") from None
        if not name or len(name) > 200:
            raise CommandError("Give the company a name of at most 200 letters.")
        company = found_organisation(name, Organisation.Kind.COMPANY)
        if company.kind != Organisation.Kind.COMPANY:
            raise CommandError(f"{name!r} is the name of an owner of heaters; choose another.")
        password = admit_person(company, email, Membership.Role.OWNER)
        with scoped(scope_of_organisation(company, actor="manage.py open_company")):
            code = code_of(company)
        self.stdout.write(f"{company.name}: tell your clients the code {code}; with it they give you access.")
        self.stdout.write(
            f"Sign in as {email} with the password {password} (shown this once)."
            if password
            else f"{email} signs in as before."
        )
