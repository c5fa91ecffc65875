"""Background entry points of planning: three lines that call a verb."""

from __future__ import annotations

from typing import Any

from fleet.estate.access import Need
from fleet.estate.background import Running, register
from fleet.planning.models import ForecastRun, TrustCheck
from fleet.planning.prices import CostBookRefused
from fleet.planning.services import run_forecast
from fleet.planning.trust import request_check, run_check


@register(
    "forecast",
    for_whom=Need.PLAN,
    name="Forecast",
    does="Works out which heaters will probably fail, when, and what that costs, for the plan.",
)
def forecast(job: Running) -> Any:
    from fleet.planning.chain import NothingToForecast

    run = ForecastRun.objects.get(pk=job.payload["run_id"])
    try:
        run = run_forecast(run, job.report, job.cancelled)
    except (NothingToForecast, CostBookRefused) as refusal:
        return {"run_id": run.pk, "refused": str(refusal)}  # trying again would change nothing
    if run.state == ForecastRun.State.DONE:
        request_check(run.organisation, run)  # every forecast carries its check
    return {"run_id": run.pk, "state": run.state}


@register(
    "forecast part",
    for_whom=Need.PLAN,
    name="Part of a large forecast",
    does="Takes on some properties of a forecast, so that it is done sooner.",
)
def forecast_part(job: Running) -> Any:
    """Helps the job that makes a large forecast; with nothing left to help with it does nothing."""
    from fleet.planning.parts import help_with
    from fleet.planning.services import question_of

    return {"parts": help_with(job.payload["run_id"], question_of, job.payload.get("number", 0))}


@register(
    "forecast check",
    for_whom=Need.PLAN,
    name="Check of the forecast",
    does="Holds what forecasts would have said earlier against what happened, for How far to trust it.",
)
def forecast_check(job: Running) -> Any:
    from fleet.planning.chain import NothingToForecast

    check = TrustCheck.objects.get(pk=job.payload["check_id"])
    try:
        check = run_check(check, job.report, job.cancelled)
    except NothingToForecast as refusal:
        return {"check_id": check.pk, "refused": str(refusal)}  # trying again would change nothing
    return {"check_id": check.pk, "state": check.state}
