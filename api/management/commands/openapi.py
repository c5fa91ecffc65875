"""Write the OpenAPI document, or with --check say whether the committed one is current."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from api.docs import FILE
from fleet.estate.acting import Acting


class Command(BaseCommand):
    for_whom = Acting.OPERATOR
    help = __doc__ or ""

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--check", action="store_true", help="write nothing; fail when it is not current")

    def handle(self, *args: Any, **options: Any) -> None:
        from api.document import as_yaml

        text = as_yaml()
        if not options["check"]:
            FILE.write_text(text, encoding="utf-8")
            self.stdout.write(f"Written: {FILE.name}, {text.count(chr(10))} lines.")
        elif not FILE.exists() or FILE.read_text(encoding="utf-8") != text:
            raise CommandError("api/openapi.yaml is not current: run `manage.py openapi` and commit it.")
        else:
            self.stdout.write("api/openapi.yaml is current.")
