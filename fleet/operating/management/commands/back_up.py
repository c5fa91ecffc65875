"""manage.py back-up FILE: rows and files of the whole installation in one archive, as they are at one instant."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleet.estate.acting import Acting
from fleet.operating.archive import ArchiveRefused, back_up


class Command(BaseCommand):
    for_whom = Acting.OPERATOR
    help = "Writes one archive of everything. People may go on working meanwhile."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("file", type=Path)

    def handle(self, *args: Any, **options: Any) -> None:
        say = self.stderr.write if options["verbosity"] > 1 else lambda words: None
        try:
            manifest = back_up(options["file"], say)
        except (ArchiveRefused, OSError) as error:
            raise CommandError(str(error)) from error
        rows = sum(table["rows"] for table in manifest.tables.values())
        self.stdout.write(
            f"{options['file']}: {rows:,} rows and {len(manifest.files):,} files. It holds people's data: keep it "
            "as safely as the program itself. The secret key is not in it: keep that apart."
        )
