"""manage.py count-again: counts all kept sums anew, believing none of them."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from fleet.care import due_sums
from fleet.estate import kept_sums
from fleet.estate.acting import Acting
from fleet.heaters import record_sums


class Command(BaseCommand):
    for_whom = Acting.OPERATOR
    help = "Counts the sums that pages show (due work by building, the record by property) anew. Needed only where the doctor says so."

    def handle(self, *args: Any, **options: Any) -> None:
        for kept in (due_sums.KEPT, record_sums.KEPT):
            kept_sums.forget(kept)
            while kept_sums.recount(kept):
                pass
        self.stdout.write("Counted anew.")
