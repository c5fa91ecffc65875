"""manage.py jobs: what runs, waits and was given up, and how old the oldest waiting row is."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand
from django.db.models import Count
from django.utils import timezone

from fleet.estate.background import try_again
from fleet.estate.models import Job
from fleet.estate.scope import unscoped


class Command(BaseCommand):
    help = "Shows background jobs; --retry NUMBER puts a given-up one back in line."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--retry", type=int, metavar="NUMBER")

    def handle(self, *args: Any, **options: Any) -> None:
        with unscoped("an operator looks at all jobs"):
            if options["retry"]:
                try_again(Job.objects.get(pk=options["retry"]))
            self._show()

    def _show(self) -> None:
        for row in Job.objects.values("state").annotate(n=Count("id")).order_by("state"):
            self.stdout.write(f"{Job.State(row['state']).label:<10} {row['n']:>7}")
        oldest = Job.objects.filter(state=Job.State.WAITING).order_by("run_after").first()
        if oldest:
            self.stdout.write(f"oldest waiting: {(timezone.now() - oldest.run_after).total_seconds():.0f} s")
        for job in Job.objects.filter(state__in=[Job.State.RUNNING, Job.State.GIVEN_UP])[:50]:
            self.stdout.write(
                f"{job.pk:>7} {job.kind:<16} {job.get_state_display():<9} {job.words or job.error[:80]}"
            )
