from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleet.estate.acting import Acting
from fleet.estate.commands import add_organisation_argument, organisation_from
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters.exporting import FORMATS, export_records


class Command(BaseCommand):
    for_whom = Acting.ORGANISATION
    help = "Write everything on record to a file: zipped CSV, XLSX or JSON."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--format", choices=FORMATS, required=True, help="csv is a ZIP with one CSV a table"
        )
        parser.add_argument("--out", type=Path, required=True, metavar="PATH")
        add_organisation_argument(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        organisation = organisation_from(options)
        try:
            with scoped(scope_of_organisation(organisation, actor="export_records")):
                counts = export_records(organisation, options["format"], options["out"])
        except OSError as error:
            raise CommandError(f"{options['out']} cannot be written: {error.strerror or error}.") from error
        words = ", ".join(f"{count:,} {name.replace('_', ' ')}" for name, count in counts.items())
        self.stdout.write(f"Wrote {options['out']}: {words}.")
