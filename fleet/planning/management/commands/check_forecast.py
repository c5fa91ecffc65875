"""manage.py check-forecast: would earlier forecasts have been right? Prints a plain verdict and what it rests on."""

from __future__ import annotations

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleet.estate.acting import Acting
from fleet.estate.calendar import today_of
from fleet.estate.commands import add_organisation_argument, organisation_from
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.planning.management.commands.plan import a_day, reporter


class Command(BaseCommand):
    for_whom = Acting.ORGANISATION
    help = (
        "Fits the record as it stood one, two and three years ago, forecasts from there, and compares with what "
        "happened; with a plain Weibull fit and the published table on the same heaters."
    )

    def add_arguments(self, parser: Any) -> None:
        add_organisation_argument(parser)
        parser.add_argument("--as-of", metavar="DATE")
        parser.add_argument("--draws", type=int, default=500)
        parser.add_argument("--random-seed", type=int, default=1)
        parser.add_argument("--json", action="store_true", help="the whole check as JSON")

    def handle(self, *args: Any, **options: Any) -> None:
        from fleet.planning import chain, priors, trust_chain
        from fleet.planning.frames import records_in_scope
        from fleet.planning.trust_words import check_lines

        organisation = organisation_from(options)
        if not 50 <= options["draws"] <= 20_000:
            raise CommandError(f"{options['draws']} draws: give 50 to 20,000 (500 is usual).")
        day = a_day(options["as_of"]) if options["as_of"] else today_of(organisation)
        with scoped(scope_of_organisation(organisation, actor="manage.py check-forecast")):
            records = records_in_scope(day)
            asked = chain.Asked(
                10, options["random_seed"], options["draws"], {}, 0.0, 0.0, priors.entered(organisation.pk)
            )
            try:
                result = trust_chain.compute(records, asked, reporter(self.stderr), lambda: False)
            except chain.NothingToForecast as refusal:
                raise CommandError(str(refusal)) from refusal
            if options["json"]:
                self.stdout.write(json.dumps(result, indent=2))
                return
            self.stdout.write("\n".join(check_lines(result, day)))
