"""manage.py fit: fit the lifetime model to the record and say in words how far it can be trusted."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleet.estate.acting import Acting
from fleet.estate.calendar import today_of
from fleet.estate.commands import add_organisation_argument, organisation_from
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.planning.management.commands.plan import a_day, reporter


class Command(BaseCommand):
    for_whom = Acting.ORGANISATION
    help = "Fits the lifetime model and prints each kind's median life with its spread, and the fit's diagnostics."

    def add_arguments(self, parser: Any) -> None:
        add_organisation_argument(parser)
        parser.add_argument("--as-of", metavar="DATE")
        parser.add_argument("--draws", type=int, default=1000)
        parser.add_argument("--random-seed", type=int, default=1)

    def handle(self, *args: Any, **options: Any) -> None:
        from fleet.planning import chain
        from fleet.planning.fit_words import fit_lines
        from fleet.planning.frames import records_in_scope
        from fleet.planning.priors import entered

        organisation = organisation_from(options)
        if not 50 <= options["draws"] <= 20_000:
            raise CommandError(f"{options['draws']} draws: give 50 to 20,000 (1,000 is usual).")
        day = a_day(options["as_of"]) if options["as_of"] else today_of(organisation)
        with scoped(scope_of_organisation(organisation, actor="manage.py fit")):
            records = records_in_scope(day)
            changed = entered(organisation.pk)
        asked = chain.Asked(10, options["random_seed"], options["draws"], {}, 0.0, 0.0, priors=changed)
        try:
            posterior, diagnostics = chain.fit_records(records, asked, reporter(self.stderr), lambda: False)
        except chain.NothingToForecast as refusal:
            raise CommandError(str(refusal)) from refusal
        self.stdout.write("\n".join(fit_lines(posterior, diagnostics, day, changed)))
