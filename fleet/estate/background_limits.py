"""How long a job may run, and how it keeps its lease while it runs."""

from __future__ import annotations

import logging
import signal
import threading
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from types import FrameType

from django.db import DatabaseError, close_old_connections
from django.utils import timezone

from fleet.estate.background_rows import Job
from fleet.estate.scope import unscoped

logger = logging.getLogger(__name__)
LEASE = timedelta(minutes=5)


class OutOfTime(Exception):
    """The job ran longer than its kind may."""


@contextmanager
def within(seconds: float) -> Iterator[None]:
    """Raise OutOfTime in the work after so many seconds.

    Signals reach only the main thread; elsewhere (a test, a shell) the work is not cut short.
    """
    if threading.current_thread() is not threading.main_thread() or not hasattr(signal, "setitimer"):
        yield
        return

    def ring(number: int, frame: FrameType | None) -> None:
        raise OutOfTime(f"It ran longer than {seconds / 60:g} minutes, which is the limit of its kind.")

    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


@contextmanager
def kept_alive(job_id: int, claim: uuid.UUID | None) -> Iterator[None]:
    """Extend the lease from beside the work, so that a long step is not taken for a lost worker."""
    over = threading.Event()

    def extend() -> None:
        while not over.wait(LEASE.total_seconds() / 3):
            try:
                with unscoped("a job's own lease"):
                    rows = Job.objects.filter(pk=job_id, claim=claim, state=Job.State.RUNNING)
                    rows.update(claimed_until=timezone.now() + LEASE)
            except DatabaseError:
                logger.warning("The lease of job %s could not be extended; trying again.", job_id)
            finally:
                close_old_connections()

    beside = threading.Thread(target=extend, name=f"lease of job {job_id}", daemon=True)
    beside.start()
    try:
        yield
    finally:
        over.set()
