"""Background work: rows claimed by a conditional update, safe to run twice, tried a few times, then given up.

`register` names the function for a kind, with its queue, time limit and rhythm; `enqueue` writes the row and rings
the bell after commit; `run_next` claims one due row and runs it. The embedded loop and the Celery worker both call it.
"""

from __future__ import annotations

import logging
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import structlog
from django.conf import settings
from django.db import IntegrityError, transaction
from django.db.models import Q
from django.utils import timezone

from fleet.estate.access import Need
from fleet.estate.acting import Acting, ForWhom, may_still_ask
from fleet.estate.background_limits import LEASE, kept_alive, within
from fleet.estate.background_rows import Job
from fleet.estate.scope import Scope, current_scope, scope_of_organisation, scoped, unscoped

logger = logging.getLogger(__name__)
MAX_ATTEMPTS = 3
HEAVY, ALERTS = "heavy", "alerts"
NO_LONGER = "Whoever asked for it may no longer do so."


@dataclass(frozen=True)
class Work:
    """What is known of one kind of work."""

    run: Callable[[Running], Any]
    for_whom: ForWhom
    queue: str = HEAVY
    limit_minutes: float = 50
    attempts: int = MAX_ATTEMPTS
    every: str = ""  # "day" or "hour": asked for in each organisation without anybody asking
    on_change: bool = False  # asked for again after many rows of a record changed at once
    name: str = ""  # in plain words, as pages show it
    does: str = ""  # what it does and for whom, in a sentence


_work: dict[str, Work] = {}


class Cancelled(Exception):
    """The person who asked for the job called it off."""


@dataclass
class Running:
    """What the work function is given: its payload, and a way to report and to hear that it was called off."""

    row: Job

    @property
    def payload(self) -> dict[str, Any]:
        payload: dict[str, Any] = self.row.payload
        return payload

    def report(self, fraction: float, words: str) -> None:
        """Show progress and extend the lease; raises Cancelled when the job was called off or taken away."""
        with unscoped("a job's own progress row"):
            kept = Job.objects.filter(pk=self.row.pk, claim=self.row.claim, cancel_wanted=False).update(
                fraction=fraction, words=words[:300], claimed_until=timezone.now() + LEASE
            )
        if not kept:
            raise Cancelled

    def cancelled(self) -> bool:
        with unscoped("a job's own row"):
            return not Job.objects.filter(pk=self.row.pk, claim=self.row.claim, cancel_wanted=False).exists()


def register(
    kind: str,
    *,
    for_whom: ForWhom,
    queue: str = HEAVY,
    limit_minutes: float = 50,
    attempts: int = MAX_ATTEMPTS,
    every: str = "",
    on_change: bool = False,
    name: str = "",
    does: str = "",
) -> Callable[[Callable[[Running], Any]], Callable[[Running], Any]]:
    """Name the function of a kind of work. `every="day"` or `"hour"`: each organisation gets it by itself.

    `for_whom`: the right that asking for it takes, or that it acts for the organisation without anybody's right.
    `name` and `does` are what the pages say of it: the program's own kinds all have them.
    """
    if for_whom is not Acting.ORGANISATION and not isinstance(for_whom, Need):
        raise ValueError(
            f"{kind}: a job acts for its organisation, or names the need of whoever asks for it."
        )
    if every and for_whom is not Acting.ORGANISATION:
        raise ValueError(f"{kind}: what happens by itself acts for the organisation.")
    if queue not in (HEAVY, ALERTS) or every not in ("", "hour", "day"):
        raise ValueError(f"{kind}: a queue is {HEAVY} or {ALERTS}, a rhythm is hour, day or empty.")

    def keep(function: Callable[[Running], Any]) -> Callable[[Running], Any]:
        _work[kind] = Work(function, for_whom, queue, limit_minutes, attempts, every, on_change, name, does)
        return function

    return keep


def known_work() -> Mapping[str, Work]:
    return _work


def words_of(kind: str) -> tuple[str, str]:
    """The name of a kind of work and what it does; of a kind that this release no longer knows, its key."""
    work = _work.get(kind)
    return (work.name if work else "") or kind.replace("_", " "), work.does if work else ""


def enqueue(kind: str, payload: dict[str, Any], organisation_id: int, unique_key: str = "") -> Job:
    """Write a job row; with a `unique_key` an open job of the same key is returned instead of a second one."""
    if kind not in _work:
        raise LookupError(f"No work is registered under {kind!r}.")
    scope = current_scope()
    try:
        with transaction.atomic():
            job = Job.objects.create(
                organisation_id=organisation_id,
                kind=kind,
                payload=payload,
                unique_key=unique_key,
                run_after=timezone.now(),
                asked_by_id=scope.person_id,
            )
    except IntegrityError:
        # Whoever sees only a part of the organisation does not see its jobs.
        with unscoped("the open job of the same key"):
            return Job.objects.get(
                organisation_id=organisation_id,
                kind=kind,
                unique_key=unique_key,
                state__in=Job.OPEN,
            )
    logger.info("Job %s %s was asked for", kind, job.pk)
    transaction.on_commit(lambda: _ring(_work[kind].queue))
    return job


def _ring(queue: str) -> None:
    """Tell a worker that there is work. A lost ring costs at most a minute: the tick sweeps."""
    if settings.EMBEDDED:
        return
    from fleet.estate.jobs import work_off_one

    try:
        work_off_one.apply_async(args=(queue,), queue=queue, retry=False)
    except Exception:
        logger.warning("The queue could not be reached; the next tick will find the job.", exc_info=True)


def need_to_change(job: Job) -> Need:
    """What calling a job off, or setting it off again, takes: the right to ask for its kind."""
    work = _work.get(job.kind)
    return work.for_whom if work and isinstance(work.for_whom, Need) else Need.WORK


def cancel(job: Job) -> None:
    Job.objects.filter(pk=job.pk, state=Job.State.RUNNING).update(cancel_wanted=True)
    Job.objects.filter(pk=job.pk, state=Job.State.WAITING).update(
        state=Job.State.CANCELLED, finished_at=timezone.now()
    )


def try_again(job: Job) -> None:
    Job.objects.filter(pk=job.pk, state__in=[Job.State.GIVEN_UP, Job.State.CANCELLED]).update(
        state=Job.State.WAITING, attempts=0, error="", cancel_wanted=False, run_after=timezone.now()
    )


def due_rows(now: datetime, queue: str = "") -> Q:
    """Which rows a worker of this queue, or of any, could run now."""
    due = Q(state=Job.State.WAITING, run_after__lte=now) | Q(state=Job.State.RUNNING, claimed_until__lt=now)
    alerts = [kind for kind, work in _work.items() if work.queue == ALERTS]
    if queue == ALERTS:
        return due & Q(kind__in=alerts)
    return due & ~Q(kind__in=alerts) if queue == HEAVY else due


def due_count(limit: int, queue: str = "") -> int:
    with unscoped("counting due jobs of all organisations"):
        return Job.objects.filter(due_rows(timezone.now(), queue))[:limit].count()


def attempts_of(kind: str) -> int:
    return _work[kind].attempts if kind in _work else MAX_ATTEMPTS


def _claim(queue: str = "") -> Job | None:
    now = timezone.now()
    for row in Job.objects.filter(due_rows(now, queue)).order_by("run_after", "id")[:20]:
        if row.attempts >= attempts_of(row.kind):
            Job.objects.filter(pk=row.pk, claim=row.claim, state=row.state).update(
                state=Job.State.GIVEN_UP, finished_at=now, error=row.error or "The worker was lost each time."
            )
            continue
        token = uuid.uuid4()
        won = Job.objects.filter(pk=row.pk, claim=row.claim, state=row.state, attempts=row.attempts).update(
            state=Job.State.RUNNING, claim=token, claimed_until=now + LEASE, attempts=row.attempts + 1
        )
        if won:
            row.refresh_from_db()
            return row
    return None


def run_next(queue: str = "") -> bool:
    """Claim one due job and run it in its organisation's scope. False when nothing is due."""
    with unscoped("claiming the next job of any organisation"):
        row = _claim(queue)
    if row is None:
        return False
    with structlog.contextvars.bound_contextvars(job=row.pk, organisation=row.organisation_id):
        _run(row)
    return True


def _run(row: Job) -> None:
    scope = scope_of_organisation(row.organisation_id)
    if row.asked_by_id:
        scope = Scope(scope.reaches, person_id=row.asked_by_id, actor=str(row.asked_by))
    try:
        work = _work[row.kind]
        if row.asked_by and not may_still_ask(row.asked_by, row.organisation_id, work.for_whom):
            logger.info("Job %s %s: whoever asked for it may no longer do so", row.kind, row.pk)
            _finish(row, state=Job.State.CANCELLED, words=NO_LONGER, finished_at=timezone.now())
            return
        with scoped(scope), kept_alive(row.pk, row.claim), within(work.limit_minutes * 60):
            result = work.run(Running(row))
    except Cancelled:
        _finish(row, state=Job.State.CANCELLED, finished_at=timezone.now())
    except Exception as error:
        logger.exception("Job %s %s failed", row.kind, row.pk)
        last = row.attempts >= attempts_of(row.kind)
        _finish(
            row,
            state=Job.State.GIVEN_UP if last else Job.State.WAITING,
            error=f"{type(error).__name__}: {error}"[:4000],
            finished_at=timezone.now() if last else None,
            run_after=timezone.now() + timedelta(seconds=10 * 4**row.attempts),
        )
    else:
        _finish(row, state=Job.State.DONE, result=result, fraction=1, error="", finished_at=timezone.now())
    logger.info("Job %s ended", row.kind)


def _finish(row: Job, **fields: Any) -> None:
    with unscoped("a job's own row"):
        Job.objects.filter(pk=row.pk, claim=row.claim).update(claimed_until=None, **fields)


def work_off(limit: int = 1000) -> int:
    """Run due jobs until none is left; returns how many ran."""
    for count in range(limit):
        if not run_next():
            return count
    return limit
