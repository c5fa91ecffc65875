"""Background entry points of planning: three lines that call a verb."""

from __future__ import annotations

from typing import Any

from fleet.estate.background import Running, register
from fleet.planning.models import ForecastRun
from fleet.planning.prices import CostBookRefused
from fleet.planning.services import run_forecast


@register("forecast")
def forecast(job: Running) -> Any:
    from fleet.planning.chain import NothingToForecast

    run = ForecastRun.objects.get(pk=job.payload["run_id"])
    try:
        run = run_forecast(run, job.report, job.cancelled)
    except (NothingToForecast, CostBookRefused) as refusal:
        return {"run_id": run.pk, "refused": str(refusal)}  # trying again would change nothing
    return {"run_id": run.pk, "state": run.state}
