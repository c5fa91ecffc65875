"""How background work stands: what runs, waits and was given up, how old the oldest is, who still takes work."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.conf import settings
from django.db.models import Count, Min, QuerySet
from django.utils import timezone

from fleet.estate.background import due_rows, known_work
from fleet.estate.background_rows import Job
from fleet.estate.leases import Lease

LATE_AFTER_TICKS = 10


@dataclass(frozen=True)
class Standing:
    """In the current scope: the whole installation when unscoped, else one organisation."""

    counts: dict[str, int]
    oldest_due: datetime | None  # since when the oldest row waits that could run

    @property
    def oldest_seconds(self) -> float:
        return (timezone.now() - self.oldest_due).total_seconds() if self.oldest_due else 0.0


def standing() -> Standing:
    found = dict(Job.objects.order_by().values_list("state").annotate(n=Count("id")))
    counts = {str(state.label): found.get(state.value, 0) for state in Job.State}
    due = Job.objects.filter(state=Job.State.WAITING, run_after__lte=timezone.now())
    return Standing(counts, due.aggregate(oldest=Min("run_after"))["oldest"])


def jobs(state: str = "") -> QuerySet[Job]:
    rows: QuerySet[Job] = Job.objects.select_related("asked_by")
    if state in Job.State.values:
        rows = rows.filter(state=state)
    return rows.order_by("-id")


def last_tick() -> datetime | None:
    """When the rounds were last held: by the loop of the embedded mode, or by a worker of the full one."""
    rows = Lease.objects.filter(name__in=["tick", "rounds"]).order_by("-heard_at")
    row = rows.first()
    return row.heard_at if row else None


def complaints() -> list[str]:
    """What is wrong with the machinery, for whoever watches it; empty when all is well. Call unscoped."""
    now, wrong = timezone.now(), []
    late = timedelta(seconds=settings.TICK_SECONDS * LATE_AFTER_TICKS)
    heard = last_tick()
    if heard is None or now - heard > late:
        since = f"since {heard:%Y-%m-%d %H:%M} UTC" if heard else "ever"
        wrong.append(f"Nobody has held the rounds {since}: the beat or the alerts worker does not run.")
    return wrong + old_work()


def old_work(queue: str = "") -> list[str]:
    """Whether a job of this queue (of any, without one) waits longer than others before it may take."""
    now, late = timezone.now(), timedelta(seconds=settings.TICK_SECONDS * LATE_AFTER_TICKS)
    rows = Job.objects.filter(due_rows(now, queue), state=Job.State.WAITING)
    oldest: datetime | None = rows.aggregate(oldest=Min("run_after"))["oldest"]
    if oldest is None or now - oldest <= max(late, longest_limit()):
        return []
    return [f"The oldest job that could run waits since {oldest:%Y-%m-%d %H:%M} UTC."]


def longest_limit() -> timedelta:
    """A job may wait this long behind another without anything being wrong."""
    return timedelta(minutes=max((work.limit_minutes for work in known_work().values()), default=0))
