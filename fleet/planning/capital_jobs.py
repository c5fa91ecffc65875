"""Background entry point of the capital plan."""

from __future__ import annotations

from typing import Any

from fleet.estate.access import Need
from fleet.estate.background import Running, register


@register(
    "capital plan",
    for_whom=Need.PLAN,
    name="Capital plan under a cap",
    does="Chooses what to replace in which year to avoid most loss within the cap, for whoever plans.",
)
def capital_plan(job: Running) -> Any:
    from fleet.planning.capital import CapitalRefused, run_capital_plan
    from fleet.planning.capital_rows import CapitalPlan

    plan = CapitalPlan.objects.get(pk=job.payload["plan_id"])
    try:
        plan = run_capital_plan(plan, job.report, job.cancelled)
    except CapitalRefused as refusal:
        return {"plan_id": plan.pk, "refused": str(refusal)}  # trying again would change nothing
    return {"plan_id": plan.pk, "state": plan.state}


@register(
    "plan report",
    for_whom=Need.PLAN,
    name="Report for the owners",
    does="Writes a capital plan as PDF and XLSX, for the owners' meeting.",
)
def plan_report(job: Running) -> Any:
    from fleet.planning.report_rows import PlanReport
    from fleet.planning.reports import make_report

    report = make_report(PlanReport.objects.get(pk=job.payload["report_id"]), job.report)
    return {"report_id": report.pk, "state": report.state}
