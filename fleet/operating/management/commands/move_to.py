"""manage.py move-to --database-url postgresql://...: the embedded record moved into PostgreSQL."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from fleet.estate.acting import Acting
from fleet.operating.moving import MoveRefused, move_to


class Command(BaseCommand):
    for_whom = Acting.OPERATOR
    help = "Copies every row into an empty PostgreSQL database and compares it there. Stop the program first."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument(
            "--database-url", default="",
            help="postgresql://user@host:5432/name; the password may stand in ALMANAC_DATABASE_PASSWORD_FILE",
        )  # fmt: skip

    def handle(self, *args: Any, **options: Any) -> None:
        if not options["database_url"]:
            raise CommandError("Say where to with --database-url postgresql://user@host:5432/name.")
        say = self.stderr.write if options["verbosity"] > 1 else lambda words: None
        try:
            found = move_to(options["database_url"], say)
        except MoveRefused as error:
            raise CommandError(str(error)) from error
        rows = sum(content.rows for content in found.values())
        self.stdout.write(
            f"Moved {rows:,} rows of {len(found)} tables; counts and digests are the same. Files stay in "
            f"{settings.MEDIA_ROOT}. Now set ALMANAC_MODE=full and ALMANAC_DATABASE_URL and start it there; "
            "keep the same secret key, or links in old mails stop working."
        )
