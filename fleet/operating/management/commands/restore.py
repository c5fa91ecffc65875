"""manage.py restore FILE: a back-up put into an empty place, compared, and brought up to this version."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleet.estate.acting import Acting
from fleet.operating.archive import ArchiveRefused, restore


class Command(BaseCommand):
    for_whom = Acting.OPERATOR
    help = "Restores a back-up into an empty database and an empty data folder; refuses any other place."
    requires_system_checks: Any = []

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("file", type=Path)

    def handle(self, *args: Any, **options: Any) -> None:
        say = self.stderr.write if options["verbosity"] > 1 else lambda words: None
        try:
            manifest = restore(options["file"], say)
        except ArchiveRefused as error:
            raise CommandError(str(error)) from error
        rows = sum(table["rows"] for table in manifest.tables.values())
        self.stdout.write(
            f"Restored {rows:,} rows and {len(manifest.files):,} files, made by version {manifest.version} at "
            f"{manifest.made_at}; counts and digests are the same."
        )
