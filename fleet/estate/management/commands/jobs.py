"""manage.py jobs: what runs, waits and was given up, how old the oldest waiting row is, and whether all is well."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleet.estate import backlog
from fleet.estate.acting import Acting
from fleet.estate.background import ALERTS, HEAVY, cancel, try_again
from fleet.estate.models import Job
from fleet.estate.scope import unscoped


class Command(BaseCommand):
    for_whom = Acting.OPERATOR
    help = "Shows background jobs. --retry and --cancel take a job's number; --check ends with an error when work stands still."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--retry", type=int, metavar="NUMBER", help="put a given-up job back in line")
        parser.add_argument("--cancel", type=int, metavar="NUMBER", help="call a job off")
        parser.add_argument("--check", action="store_true", help="for a health check: say only what is wrong")
        parser.add_argument(
            "--queue", choices=(ALERTS, HEAVY), default="", help="check the workers of one queue only"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        with unscoped("an operator looks at all jobs"):
            if options["check"]:
                self._check(options["queue"])
                return
            for name, verb in (("retry", try_again), ("cancel", cancel)):
                if options[name]:
                    verb(self._job(options[name]))
            self._show()

    def _job(self, number: int) -> Job:
        job: Job | None = Job.objects.filter(pk=number).first()
        if job is None:
            raise CommandError(f"There is no job number {number}. `manage.py jobs` lists them.")
        return job

    def _check(self, queue: str) -> None:
        from fleet.operating import worker_signs

        wrong = worker_signs.complaints(queue) if queue else backlog.complaints()
        if wrong:
            raise CommandError(" ".join(wrong))
        self.stdout.write("All is well.")

    def _show(self) -> None:
        now = backlog.standing()
        for label, count in now.counts.items():
            self.stdout.write(f"{label:<10} {count:>7}")
        self.stdout.write(f"oldest waiting: {now.oldest_seconds:.0f} s")
        for complaint in backlog.complaints():
            self.stdout.write(f"! {complaint}")
        shown = backlog.jobs().filter(state__in=[*Job.OPEN, Job.State.GIVEN_UP])[:50]
        for job in shown:
            said = job.words or job.error[:80]
            done = f"{job.fraction:4.0%}" if job.state == Job.State.RUNNING else "    "
            self.stdout.write(f"{job.pk:>7} {job.kind:<22} {job.get_state_display():<9} {done} {said}")
