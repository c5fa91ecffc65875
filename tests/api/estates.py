"""One row of every kind in each of two organisations, and what every address of the API needs to be asked."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from typing import Any

from django.core.files.base import ContentFile
from django.urls import URLPattern, URLResolver
from django.utils import timezone

from api import urls
from api.door import ApiView
from api.operations import Operation
from fleet.care.models import Finding, LeakReport, Task, UnsafeFinding, Visit
from fleet.estate.grant_rows import AccessGrant
from fleet.estate.history import record_change
from fleet.estate.models import HistoryEntry, Job, Organisation
from fleet.heaters.models import Attachment, Heater, ImportBatch, ServiceRecord, WaterTest
from fleet.planning.capital_rows import CapitalLine, CapitalPlan
from fleet.planning.models import ForecastRun, HeaterOutlook
from fleet.reminders.outbox_rows import WebHook
from tests.api import contracts, rooms

DAY = date(2026, 11, 1)
FIGURES = {name: "1.00" for name in ("expected", "p10", "p50", "p80", "p90")}
YEAR = {name: FIGURES for name in ("count", "cost", "count_so_far", "cost_so_far")}
GROUP = [{"key": "", "years": [YEAR]}]
CALENDAR = [{"label": "2027", "start": "2027-01-01", "last_day": "2027-12-31", "whole": True}]
RESULT = {
    "years": CALENDAR,
    "groups": {"total": GROUP, "property": [], "building": [], "kind": []},
    "own_years": [],
}


def fill(heater: Heater) -> dict[str, int]:
    """A row of each kind about this heater: the first part of an address -> the row's number."""
    mine: dict[str, Any] = {"organisation_id": heater.organisation_id}
    building = heater.position.building
    service = ServiceRecord.objects.create(heater=heater, kind="flush", **mine)
    water = WaterTest.objects.create(property=building.property, hardness_mg_l=100, **mine)
    visit = Visit.objects.create(building=building, day=DAY, **mine)
    task = Task.objects.create(
        heater=heater, kind="flush", due_on=DAY, rule="interval", reason="made up", visit=visit, **mine
    )
    finding = Finding.objects.create(
        task=task, heater=heater, name="x", words="seen", seen_at=timezone.now(), **mine
    )
    unsafe = UnsafeFinding.objects.create(
        heater=heater, task=task, what="smell", seen_at=timezone.now(), **mine
    )
    leak = LeakReport.objects.create(heater=heater, words="drip", reported_at=timezone.now(), **mine)
    job = Job.objects.create(kind="forecast", run_after=timezone.now(), **mine)
    run = ForecastRun.objects.create(
        as_of=DAY,
        state="done",
        job=job,
        result=RESULT,
        assumptions={"currency": "USD"},
        diagnostics={},
        **mine,
    )
    HeaterOutlook.objects.create(
        run=run, heater=heater, rank=1, age_years=9, age_known=True, p_fail_12_months=0.1, p_fail_36_months=0.3,
        remaining_life_p10_years=1, remaining_life_median_years=4, remaining_life_p90_years=9,
        planned_cost=Decimal("1500.00"), emergency_cost=Decimal("2500.00"), **mine,
    )  # fmt: skip
    plan = CapitalPlan.objects.create(run=run, cap=Decimal("40000.00"), **mine)
    CapitalLine.objects.create(
        plan=plan, heater=heater, period=-1, p_fail_before=0.2, risk_avoided=Decimal(1), saving=Decimal(1),
        waiting_cost=Decimal(1), new_unit_a_year=Decimal(1), **mine,
    )  # fmt: skip
    batch = ImportBatch.objects.create(file_name="a.csv", sha256="0" * 64, size_bytes=1, **mine)
    paper = Attachment(
        heater=heater, name="a.pdf", content_type="application/pdf", size_bytes=4, sha256="0" * 64, **mine
    )
    paper.file.save("a.pdf", ContentFile(b"%PDF"), save=False)
    paper.save()
    hook = WebHook.objects.create(
        name="h", url="https://a.example/", salt="0" * 32, made_at=timezone.now(), **mine
    )
    company = Organisation.objects.create(name=f"Invented {heater.organisation_id}", kind="company")
    grant = AccessGrant.objects.create(company=company, level=2, granted_at=timezone.now(), **mine)
    record_change(heater, "entered")
    others = contracts.fill(heater, company) | rooms.fill(heater, task, paper, plan, hook)
    return others | {
        "properties": building.property_id,
        "buildings": building.pk,
        "positions": heater.position_id,
        "heaters": heater.pk,
        "service-records": service.pk,
        "water-tests": water.pk,
        "attachments": paper.pk,
        "tasks": task.pk,
        "findings": finding.pk,
        "unsafe-findings": unsafe.pk,
        "leak-reports": leak.pk,
        "visits": visit.pk,
        "forecast-runs": run.pk,
        "capital-plans": plan.pk,
        "jobs": job.pk,
        "exports": job.pk,
        "imports": batch.pk,
        "web-hooks": hook.pk,
        "grants": grant.pk,
        "history": HistoryEntry.objects.filter(organisation_id=heater.organisation_id).latest("pk").pk,
    }


def every_operation() -> Iterator[tuple[str, str, Operation]]:
    """(path pattern, METHOD, operation) of the whole API, read from its URL map."""

    def walk(patterns: Any, before: str) -> Iterator[tuple[str, str, Operation]]:
        for entry in patterns:
            where = before + str(entry.pattern)
            if isinstance(entry, URLResolver):
                yield from walk(entry.url_patterns, where)
            elif isinstance(entry, URLPattern) and entry.name != "nothing":
                view = getattr(entry.callback, "cls", object)
                for method, operation in view.operations().items() if issubclass(view, ApiView) else ():
                    yield f"/{where}", method.upper(), operation

    yield from walk(urls.urlpatterns, "")


# What a post or patch takes, by the last words of its path. `own` stands for the caller's rows.
def content_for(path: str, own: dict[str, int]) -> Any:
    heater = {"tag": "NEW", "kind": "heat_pump", "position_id": own["positions"]}
    bodies: dict[str, Any] = {
        "/properties": {"name": "New"},
        "/buildings": {"name": "New", "property_id": own["properties"]},
        "/positions": {"label": "New", "building_id": own["buildings"]},
        "/heaters": heater,
        "/service-records": {"heater_id": own["heaters"], "kind": "descaled"},
        "/water-tests": {"property_id": own["properties"], "treatment": "softened"},
        "/end": {"ending": "removed", "removed_precision": "unknown"},
        "/complete": {"findings": {}},
        "/skip": {"reason": "made up"},
        "/tasks/<number:pk>/move": {"due_on": "2027-01-01", "reason": "made up"},
        "/visits/<number:pk>/move": {"day": "2027-01-01", "reason": "made up"},
        "/report-unsafe": {"what": "smell"},
        "/close": {"follow_up": "mended", "follow_up_by": "Invented"},
        "/answer": {"answer": "mended"},
        "/accept": {},
        "/capital-plans": {"cap": "100.00"},
        "/forecast-runs": {"draws": 100},
        "/web-hooks": {"name": "New", "url": "https://a.example/"},
        "/grants": {"code": "AAAA-AAAA", "property_ids": [own["properties"]], "level": "work"},
        "/revoke": {"reason": "made up"},
        "/priors": {"table": "effects", "row_id": "none", "value": 1, "reason": "made up"},
    }
    bodies |= contracts.contents(own) | rooms.contents(own)
    if path.endswith("/bulk"):
        return {"rows": [content_for(path.removesuffix("/bulk"), own)]}
    if path.endswith("/tasks/complete"):
        return {"rows": [{"task_id": own["tasks"], "findings": {}}]}
    fitting = [ending for ending in bodies if path.endswith(ending)]
    return bodies[max(fitting, key=len)] if fitting else {}
