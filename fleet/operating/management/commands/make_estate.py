"""manage.py make-estate: an invented estate of any size for load tests, statistically like the demo."""

from __future__ import annotations

import time
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import connection

from fleet.estate.acting import Acting
from fleet.estate.models import Membership
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.estate.services import admit_person, found_organisation
from fleet.operating.estate_maker import EstateRefused, Made, make_estate
from fleet.operating.invented_estate import AS_OF, Asked


class Command(BaseCommand):
    for_whom = Acting.OPERATOR
    help = "Writes an invented estate into an organisation of its own. The same number and seed give the same estate."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument(
            "--heaters", type=int, required=True, help="heaters on record, ended ones included"
        )
        parser.add_argument("--seed", type=int, default=1)
        parser.add_argument(
            "--services-per-heater", type=float, default=5.0, help="on the average (default 5)"
        )
        parser.add_argument(
            "--size-factor", type=float, default=1.0, help="properties so many times as large as the demo's"
        )
        parser.add_argument("--name", help="of the new organisation")

    def handle(self, *args: Any, **options: Any) -> None:
        asked = self._asked(options)
        name = options["name"] or f"Invented estate of {asked.heaters:,} heaters, seed {asked.seed}"
        organisation = found_organisation(name, invented=True, calendar_stands_at=AS_OF)
        started = time.perf_counter()

        def progress(made: Made) -> None:
            if options["verbosity"] > 1:
                self.stderr.write(f"{made.heaters:,} heaters after {time.perf_counter() - started:.0f} s")

        try:
            with scoped(scope_of_organisation(organisation, actor="make-estate")):
                made = make_estate(organisation, asked, progress)
        except EstateRefused as error:
            raise CommandError(str(error)) from error
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")  # what the database does by itself once the rows have stood a while
        email = f"owner{organisation.pk}@almanac.example"
        password = admit_person(organisation, email, Membership.Role.OWNER, "Owner of an invented estate")
        self.stdout.write(
            f"{name}: {made.properties:,} properties, {made.buildings:,} buildings, {made.heaters:,} heaters "
            f"({made.in_service:,} in service), {made.services:,} service records, {made.water_tests:,} water tests "
            f"in {time.perf_counter() - started:.1f} s. Everything in it is made up."
        )
        self.stdout.write(f"Sign in as {email}" + (f", password {password}" if password else ""))

    def _asked(self, options: dict[str, Any]) -> Asked:
        if not 1 <= options["heaters"] <= 100_000_000:
            raise CommandError(f"--heaters {options['heaters']}: give 1 to 100,000,000.")
        if not 0 <= options["services_per_heater"] <= 20:
            raise CommandError(f"--services-per-heater {options['services_per_heater']}: give 0 to 20.")
        if not 0.1 <= options["size_factor"] <= 1000:
            raise CommandError(f"--size-factor {options['size_factor']}: give 0.1 to 1000.")
        if not 0 <= options["seed"] < 2**31:
            raise CommandError(f"--seed {options['seed']}: give 0 to {2**31 - 1}.")
        return Asked(
            options["heaters"], options["seed"], options["services_per_heater"], options["size_factor"]
        )
