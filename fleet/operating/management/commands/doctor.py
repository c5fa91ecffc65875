"""manage.py doctor: what is unsafe or unhealthy, and how to mend it."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from typing import Any

from django.core.management.base import BaseCommand

from fleet.estate.acting import Acting
from fleet.operating.doctor import BAD, examine


class Command(BaseCommand):
    for_whom = Acting.OPERATOR
    help = "Looks at settings, disk, database, jobs, workers, mail, back-ups and clock. Ends with 1 if something is bad."
    requires_system_checks: Any = []

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--json", action="store_true", help="for another program to read")

    def handle(self, *args: Any, **options: Any) -> None:
        found = examine()
        if options["json"]:
            self.stdout.write(json.dumps([asdict(one) for one in found], indent=1))
        else:
            for one in found:
                self.stdout.write(f"{one.state:<9} {one.part:<12} {one.words}")
                if one.mend:
                    self.stdout.write(f"{'':<22} → {one.mend}")
        if any(one.state == BAD for one in found):
            sys.exit(1)
