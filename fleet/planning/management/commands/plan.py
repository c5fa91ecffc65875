"""manage.py plan: make the forecast and print the capital plan, or give it as JSON or CSV."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from itertools import chain
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.core.serializers.json import DjangoJSONEncoder

from fleet.estate.acting import Acting
from fleet.estate.commands import add_organisation_argument, organisation_from
from fleet.estate.scope import scope_of_organisation, scoped


def a_day(written: str) -> date:
    try:
        return date.fromisoformat(written)
    except ValueError:
        raise CommandError(f"'{written}' is not a day; write it as 2026-11-25.") from None


def reporter(stream: Any) -> Callable[[float, str], None]:
    """Progress on one line, where somebody watches."""

    def report(fraction: float, words: str) -> None:
        if stream.isatty():
            stream.write(f"\r{fraction * 100:3.0f} %  {words:<60}", ending="\n" if fraction >= 1 else "")

    return report


class Command(BaseCommand):
    for_whom = Acting.ORGANISATION
    help = "Forecasts replacements and their cost per fiscal year and ranks the heaters by their chance of failing."

    def add_arguments(self, parser: Any) -> None:
        add_organisation_argument(parser)
        parser.add_argument(
            "--as-of", metavar="DATE", help="forecast from what was known by that day (default today)"
        )
        parser.add_argument("--years", type=int, default=10, help="whole fiscal years ahead, 1 to 40")
        parser.add_argument("--draws", type=int, default=1000, help="draws of the parameters and joint paths")
        parser.add_argument("--random-seed", type=int, default=1)
        parser.add_argument("--watch", type=int, default=10, help="how many heaters to list in the print")
        form = parser.add_mutually_exclusive_group()
        form.add_argument("--json", action="store_true", help="everything as JSON")
        form.add_argument("--csv", action="store_true", help="the year tables as CSV")

    def handle(self, *args: Any, **options: Any) -> None:
        from fleet.heaters.csv_answer import csv_text
        from fleet.planning import downloads, printed, selectors, services
        from fleet.planning.chain import NothingToForecast

        organisation = organisation_from(options)
        day = a_day(options["as_of"]) if options["as_of"] else None
        with scoped(scope_of_organisation(organisation, actor="manage.py plan")):
            try:
                run = services.open_run(
                    organisation, day, options["years"], options["draws"], options["random_seed"]
                )
                run = services.run_forecast(run, reporter(self.stderr))
            except (services.RunRefused, services.CostBookRefused, NothingToForecast) as refusal:
                raise CommandError(str(refusal)) from refusal
            plan = selectors.plan_tables(run)
            if options["json"]:
                text = json.dumps(printed.as_json(plan), cls=DjangoJSONEncoder, indent=1)
                self.stdout.write(text)
            elif options["csv"]:
                rows = chain([downloads.YEAR_HEADINGS], downloads.year_rows(plan))
                self.stdout.write(csv_text(rows), ending="")
            else:
                self.stdout.write("\n".join(printed.printed(plan, options["watch"])))
