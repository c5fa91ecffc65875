"""manage.py licences: every package of this installation with its licence."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from typing import Any

from django.core.management.base import BaseCommand

from fleet.estate.acting import Acting
from fleet.operating.licences import installed


class Command(BaseCommand):
    for_whom = Acting.OPERATOR
    help = "Lists the licence of every installed package; --check ends with 1 if one is unknown or may not be shipped."
    requires_system_checks: Any = []

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--json", action="store_true")
        parser.add_argument("--check", action="store_true")

    def handle(self, *args: Any, **options: Any) -> None:
        found = installed()
        if options["json"]:
            self.stdout.write(json.dumps([asdict(one) for one in found], indent=1))
        else:
            for one in found:
                mark = "  ← look at this one" if one.doubtful else ""
                self.stdout.write(f"{one.package:<32} {one.version:<16} {one.licence}{mark}")
        if options["check"] and any(one.doubtful for one in found):
            sys.exit(1)
