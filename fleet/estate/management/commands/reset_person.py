"""manage.py reset_person: end a person's sessions, or take away second factors that she has lost."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import transaction

from fleet.estate.acting import Acting
from fleet.estate.models import Person
from fleet.estate.security_log import note_of_person
from fleet.estate.sessions import end_sessions


class Command(BaseCommand):
    for_whom = Acting.OPERATOR
    help = (
        "Ends the sessions of a person or of everybody. --second-factor takes away the factors of somebody who has "
        "lost them: see her, or hear her voice, before you do. The security log of her organisations tells it."
    )

    def add_arguments(self, parser: Any) -> None:
        who = parser.add_mutually_exclusive_group(required=True)
        who.add_argument("email", nargs="?", help="the address that she signs in with")
        who.add_argument("--everybody", action="store_true", help="end every session of this installation")
        parser.add_argument("--second-factor", action="store_true", help="take her second factors away too")

    @transaction.atomic
    def handle(self, *args: Any, **options: Any) -> None:
        if options["everybody"]:
            if options["second_factor"]:
                raise CommandError("Second factors are taken away from one person at a time.")
            ended = sum(end_sessions(person) for person in Person.objects.filter(is_active=True))
            self.stdout.write(f"{ended} sessions ended; everybody signs in again.")
            return
        person = Person.objects.filter(email=options["email"].strip().lower()).first()
        if person is None:
            raise CommandError(f"Nobody signs in as {options['email']!r}.")
        ended = end_sessions(person)
        self.stdout.write(f"{ended} sessions of {person.email} ended.")
        if options["second_factor"]:
            from allauth.mfa.models import Authenticator

            gone, _ = Authenticator.objects.filter(user=person).delete()
            note_of_person("second_factor", f"The operator took away second factors: {gone}", person)
            self.stdout.write(
                f"{gone} second factors taken away. She sets up new ones when she next signs in."
            )
