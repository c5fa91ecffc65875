"""What the metrics page tells: counts of this installation's requests, jobs, deliveries and fits; no names in it."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any

from django.conf import settings
from django.db.models import Count, Max, Min
from django.utils import timezone
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector

from fleet.estate.models import Job
from fleet.estate.scope import unscoped
from fleet.operating import worker_signs
from fleet.operating.counters import OWN
from fleet.planning.models import ForecastRun
from fleet.reminders.models import Delivery


def written() -> bytes:
    """The page, in the text format of Prometheus."""
    own = OWN
    if os.environ.get("PROMETHEUS_MULTIPROC_DIR"):
        own = CollectorRegistry()
        MultiProcessCollector(own)
    rows = CollectorRegistry()
    rows.register(FromRows())
    return generate_latest(own) + generate_latest(rows)


class FromRows(Collector):
    """Read from the database at each look, so that every process and every worker is in it."""

    def describe(self) -> Iterable[Any]:
        return []

    def collect(self) -> Iterator[GaugeMetricFamily]:
        with unscoped("counting for the operator, over all organisations"):
            yield from self._jobs()
            yield from self._deliveries()
            yield from self._fits()
        yield from self._signs()

    @staticmethod
    def _jobs() -> Iterator[GaugeMetricFamily]:
        jobs = _gauge("almanac_jobs", "Background jobs on record", "state", "kind")
        for state, kind, count in Job.objects.order_by().values_list("state", "kind").annotate(n=Count("id")):
            jobs.add_metric([state, kind], count)
        yield jobs
        oldest = Job.objects.filter(state=Job.State.WAITING).aggregate(at=Min("run_after"))["at"]
        yield _plain(
            "almanac_job_oldest_waiting_seconds", "How long the oldest due job has waited", _ago(oldest)
        )
        lost = Job.objects.filter(state=Job.State.RUNNING, claimed_until__lt=timezone.now()).count()
        yield _plain("almanac_jobs_lost", "Jobs whose worker fell silent and that nobody took up yet", lost)

    @staticmethod
    def _deliveries() -> Iterator[GaugeMetricFamily]:
        found = _gauge("almanac_deliveries", "Mails and web hooks on record", "state", "channel")
        rows = Delivery.objects.order_by().values_list("state", "channel").annotate(n=Count("id"))
        for state, channel, count in rows:
            found.add_metric([state, channel], count)
        yield found
        oldest = Delivery.objects.filter(state=Delivery.State.WAITING).aggregate(at=Min("due_at"))["at"]
        words = "How long the oldest due mail or web hook has waited"
        yield _plain("almanac_delivery_oldest_waiting_seconds", words, _ago(oldest))

    @staticmethod
    def _fits() -> Iterator[GaugeMetricFamily]:
        runs = _gauge("almanac_forecasts", "Forecasts on record", "state")
        for state, count in ForecastRun.objects.order_by().values_list("state").annotate(n=Count("id")):
            runs.add_metric([state], count)
        yield runs
        newest = ForecastRun.objects.filter(state=ForecastRun.State.DONE).order_by()
        numbers = newest.values("organisation_id").annotate(last=Max("id")).values_list("last", flat=True)
        found = [
            row or {} for row in newest.filter(pk__in=list(numbers)).values_list("diagnostics", flat=True)
        ]
        heats = [row["k_hat"] for row in found if row.get("k_hat") is not None]
        draws = [row["effective_draws"] for row in found if row.get("effective_draws") is not None]
        yield _plain(
            "almanac_fit_k_hat_worst",
            "Largest Pareto k of each organisation's newest fit",
            max(heats, default=0),
        )
        yield _plain(
            "almanac_fit_k_hat_above_0_7",
            "Newest fits whose Pareto k is above 0.7",
            sum(k > 0.7 for k in heats),
        )
        yield _plain(
            "almanac_fit_effective_draws_least",
            "Fewest effective draws of a newest fit",
            min(draws, default=0),
        )
        unsure = sum(row.get("converged") is False for row in found)
        yield _plain("almanac_fits_not_converged", "Newest fits that did not converge", unsure)
        slowest = max((sum((row.get("seconds") or {}).values()) for row in found), default=0)
        yield _plain("almanac_fit_seconds_slowest", "Seconds of the slowest newest forecast", slowest)

    @staticmethod
    def _signs() -> Iterator[GaugeMetricFamily]:
        heard = _gauge(
            "almanac_worker_silent_seconds", "Since a worker of this queue was last heard", "queue"
        )
        for queue, at in worker_signs.heard().items():
            heard.add_metric([queue], _ago(at) if at else float("inf"))
        yield heard
        backed_up = worker_signs.backed_up_at()
        yield _plain(
            "almanac_backup_age_seconds",
            "Since the last back-up",
            _ago(backed_up) if backed_up else float("inf"),
        )
        about = _gauge("almanac_info", "This installation", "version", "mode")
        about.add_metric([settings.VERSION, settings.MODE], 1)
        yield about


def _gauge(name: str, words: str, *labels: str) -> GaugeMetricFamily:
    return GaugeMetricFamily(name, words, labels=labels)


def _plain(name: str, words: str, value: float) -> GaugeMetricFamily:
    return GaugeMetricFamily(name, words, value=value)


def _ago(at: datetime | None) -> float:
    """Seconds since `at`; 0 for nothing, or what lies ahead."""
    return max(0.0, (timezone.now() - at).total_seconds()) if at else 0.0
