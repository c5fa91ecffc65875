"""manage.py plan_report: the report on the last capital plan as PDF and XLSX."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleet.estate.acting import Acting
from fleet.estate.commands import add_organisation_argument, organisation_from
from fleet.estate.scope import scope_of_organisation, scoped


class Command(BaseCommand):
    for_whom = Acting.ORGANISATION
    help = "Makes the report for the owners' meeting from the last capital plan and writes its files."

    def add_arguments(self, parser: Any) -> None:
        add_organisation_argument(parser)
        parser.add_argument("--pdf", metavar="FILE")
        parser.add_argument("--xlsx", metavar="FILE")

    def handle(self, *args: Any, **options: Any) -> None:
        from fleet.planning import reports
        from fleet.planning.capital import latest_capital_plan

        if not (options["pdf"] or options["xlsx"]):
            raise CommandError("Say where to write: --pdf FILE, --xlsx FILE or both.")
        organisation = organisation_from(options)
        with scoped(scope_of_organisation(organisation, actor="manage.py plan_report")):
            plan = latest_capital_plan(organisation.pk)
            if plan is None:
                raise CommandError(
                    "There is no capital plan yet; run `manage.py capital_plan --cap AMOUNT` first."
                )
            for place in (Path(options[name]) for name in ("pdf", "xlsx") if options[name]):
                if not place.absolute().parent.is_dir():
                    raise CommandError(
                        f"{place} cannot be written: there is no folder {place.absolute().parent}."
                    )
            report = reports.make_report(reports.request_report(plan))
            for file_format in ("pdf", "xlsx"):
                if options[file_format]:
                    Path(options[file_format]).write_bytes(bytes(getattr(report, file_format)))
                    self.stdout.write(f"Wrote {options[file_format]}.")
