"""manage.py erase_person ADDRESS: erase a person on her demand; history keeps a placeholder."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError

from fleet.estate.acting import Acting
from fleet.estate.models import Person
from fleet.estate.privacy import erase_person


class Command(BaseCommand):
    for_whom = Acting.OPERATOR
    help = (
        "Erases a person's data. What she did stays in the history under a placeholder. Cannot be taken back."
    )

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("email", help="the address that she signs in with")
        parser.add_argument("--yes", action="store_true", help="really do it")

    def handle(self, *args: Any, **options: Any) -> None:
        person = Person.objects.filter(email=options["email"].lower()).first()
        if person is None:
            raise CommandError(f"Nobody signs in as {options['email']!r}.")
        if not options["yes"]:
            raise CommandError(f"This erases {person} for good. Say --yes to do it.")
        try:
            erase_person(person)
        except ValidationError as error:
            raise CommandError(error.messages[0]) from error
        self.stdout.write(f"Erased. The history shows {person}.")
