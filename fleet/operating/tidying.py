"""What grows without end and is of no use any more: let go of once a day. The record and its history are kept for ever.

Finished jobs go after 90 days (what they did stands in the rows they changed), deliveries told or not told after 400
(their uniqueness matters only while their due day can come again), sessions when they have run out. Of a forecast its
years, its assumptions and how sure it was stay; the chances of its single heaters go after 90 days, unless it is the one
in use or a capital plan stands on it.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from importlib import import_module
from typing import Any

from django.conf import settings
from django.db.models import QuerySet
from django.utils import timezone

from fleet.care.bulk import refresh_statistics
from fleet.estate.acting import Acting
from fleet.estate.background import Running, register
from fleet.estate.models import Job
from fleet.planning.models import ForecastRun, HeaterOutlook
from fleet.planning.selectors import latest_run
from fleet.reminders.models import Delivery

JOBS_KEPT = timedelta(days=90)
DELIVERIES_KEPT = timedelta(days=400)
OUTLOOKS_KEPT = timedelta(days=90)
ROWS_AT_A_TIME = 5000


@register(
    "tidy up",
    for_whom=Acting.ORGANISATION,
    every="day",
    limit_minutes=20,
    name="Old traces removed",
    does="Removes finished work, sent reminders and old forecasts' details after their time.",
)
def tidy_up(job: Running) -> dict[str, int]:
    """In the scope of one organisation."""
    now = timezone.now()
    jobs = Job.objects.filter(
        state__in=[Job.State.DONE, Job.State.CANCELLED], finished_at__lt=now - JOBS_KEPT
    )
    told = Delivery.objects.filter(
        state__in=[Delivery.State.SENT, Delivery.State.NOT_TOLD], due_at__lt=now - DELIVERIES_KEPT
    )
    import_module(settings.SESSION_ENGINE).SessionStore.clear_expired()
    refresh_statistics()
    outlooks = HeaterOutlook.objects.filter(run__in=_done_with(job.row.organisation_id, now))
    return {"jobs": _let_go(jobs), "deliveries": _let_go(told), "outlooks": _let_go(outlooks)}


def _done_with(organisation_id: int, now: datetime) -> list[int]:
    """Forecasts of which nobody needs single heaters any more."""
    in_use = latest_run(organisation_id)
    old = ForecastRun.objects.filter(organisation_id=organisation_id, finished_at__lt=now - OUTLOOKS_KEPT)
    old = old.filter(capital_plans=None).exclude(pk=in_use.pk if in_use else None)
    return list(old.values_list("pk", flat=True))


def _let_go(rows: QuerySet[Any]) -> int:
    """A few thousand at a time, so that nobody waits for the lock."""
    count = 0
    while numbers := list(rows.order_by("pk").values_list("pk", flat=True)[:ROWS_AT_A_TIME]):
        count += rows.model.objects.filter(pk__in=numbers).delete()[0]
    return count
