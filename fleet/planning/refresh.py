"""A forecast made anew by itself when the record has changed enough since the last one."""

from __future__ import annotations

from typing import Any

from fleet.estate.acting import Acting
from fleet.estate.background import Running, register
from fleet.estate.calendar import today_of
from fleet.estate.models import HistoryEntry, Organisation
from fleet.heaters.models import Heater
from fleet.planning.models import ForecastRun
from fleet.planning.services import request_run

ENOUGH_FRACTION, ENOUGH_AT_LEAST = 0.02, 5  # judgement, no source: 2 % of the heaters, five at least
OLDEST_DAYS = 31
ABOUT_HEATERS = ("heater", "servicerecord", "position", "watertest", "costbook", "building")


def changed_enough(organisation: Organisation, last: ForecastRun) -> str:
    """Why a new forecast is worth its time; empty when it is not. Only where one was asked for before."""
    since = HistoryEntry.objects.filter(organisation=organisation, at__gt=last.created_at)
    if since.filter(verb="imported").exists():
        return "a file was imported"
    changes = since.filter(subject_kind__in=ABOUT_HEATERS).count()
    heaters = Heater.objects.filter(organisation=organisation, ending="").count()
    if changes >= max(ENOUGH_AT_LEAST, ENOUGH_FRACTION * heaters):
        return f"{changes} changes of the record"
    if (today_of(organisation) - last.as_of).days > OLDEST_DAYS:
        return f"the last one is older than {OLDEST_DAYS} days"
    return ""


@register(
    "refresh_forecast",
    for_whom=Acting.ORGANISATION,
    every="day",
    name="Is a new forecast due?",
    does="Asks for the forecast again where the record has changed enough, for whoever reads the plan.",
)
def refresh_forecast(job: Running) -> dict[str, Any]:
    """Ask for the forecast again, with the last one's wishes, if the record has changed enough."""
    organisation = Organisation.objects.get(pk=job.row.organisation_id)
    last = ForecastRun.objects.filter(organisation=organisation, state="done").order_by("-id").first()
    if last is None:
        return {"asked": False, "because": "no forecast was ever asked for"}
    because = changed_enough(organisation, last)
    if not because:
        return {"asked": False, "because": "the record has hardly changed"}
    run = request_run(organisation, horizon_years=last.horizon_years, draws=last.draws, seed=last.seed)
    return {"asked": True, "because": because, "run_id": run.pk}
