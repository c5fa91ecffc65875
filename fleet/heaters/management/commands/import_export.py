from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleet.estate.acting import Acting
from fleet.estate.commands import add_organisation_argument, organisation_from
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters.export_reading import ExportRefused, import_export


class Command(BaseCommand):
    for_whom = Acting.ORGANISATION
    help = "Read an export back into an organisation that has no record yet."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path)
        add_organisation_argument(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        organisation = organisation_from(options)
        try:
            with scoped(scope_of_organisation(organisation, actor="import_export")):
                counts = import_export(organisation, options["file"])
        except ExportRefused as error:
            raise CommandError(str(error)) from error
        words = ", ".join(f"{count:,} {name.replace('_', ' ')}" for name, count in counts.items())
        self.stdout.write(f"Took in {words}.")
