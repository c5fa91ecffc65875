"""Signs of life: when a worker of each queue was last heard, and when the last back-up was made."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.conf import settings
from django.utils import timezone

from fleet.estate import backlog
from fleet.estate.background import ALERTS, HEAVY
from fleet.estate.leases import Lease
from fleet.estate.models import Job
from fleet.estate.rounds import each_minute
from fleet.estate.scope import unscoped

SILENT = timedelta(minutes=10)
_BACK_UP = "back-up"


# The sweep does nothing: that it ran leaves the sign (its lease says when it was last taken).
@each_minute("sign of alerts", queue=ALERTS)
def _alerts() -> None: ...


@each_minute("sign of heavy", queue=HEAVY)
def _heavy() -> None: ...


def heard() -> dict[str, datetime | None]:
    """Queue to the last sign. A worker deep in a long job counts: it goes on extending the job's lease."""
    signs = dict(Lease.objects.filter(name__startswith="sweep sign of ").values_list("name", "heard_at"))
    with unscoped("any worker of the installation"):
        working = Job.objects.filter(state=Job.State.RUNNING, claimed_until__gt=timezone.now()).exists()
    now = timezone.now() if working else None
    heavy = now or signs.get("sweep sign of heavy")
    alerts = signs.get("sweep sign of alerts")
    return {HEAVY: heavy, ALERTS: (now if settings.EMBEDDED else None) or alerts}


def silent_queues() -> list[str]:
    now = timezone.now()
    return [queue for queue, at in heard().items() if at is None or now - at > SILENT]


def complaints(queue: str) -> list[str]:
    """What is wrong with the workers of one queue, for the health check beside them. Call unscoped."""
    wrong = backlog.old_work(queue)
    if queue in silent_queues():
        at = heard()[queue]
        since = f"since {at:%Y-%m-%d %H:%M} UTC" if at else "yet"
        wrong.append(f"No worker of the queue {queue} was heard {since}: it does not run, or beat does not.")
    return wrong


def backed_up_at() -> datetime | None:
    return Lease.objects.filter(name=_BACK_UP).values_list("heard_at", flat=True).first()


def note_back_up() -> None:
    now = timezone.now()
    Lease.objects.update_or_create(name=_BACK_UP, defaults={"until": now, "heard_at": now})
