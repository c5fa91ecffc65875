"""Forecasts, the plan, the outlook of each heater. Long work is asked for and answered with 202 and its job."""

from __future__ import annotations

from itertools import chain
from typing import Any

from django.http import Http404, HttpResponse
from django.urls import path
from rest_framework import serializers

from api.door import ApiView
from api.operations import Asked, operation
from api.planning_shapes import (
    GROUPINGS,
    OUTLOOKS,
    RUNS,
    FutureShown,
    PlanShown,
    RunGiven,
    RunShown,
    group_row,
)
from api.problems import Problem
from api.rows import Row
from api.usual import CSV, XLSX, as_file, single
from fleet.estate.access import Need
from fleet.heaters.csv_answer import csv_text
from fleet.pages import forecasts
from fleet.planning import downloads, explained, selectors, services
from fleet.planning.models import ForecastRun

BY = Asked(serializers.ChoiceField(choices=GROUPINGS), "portfolio, if not said.")


def _run(pk: int) -> ForecastRun:
    found: ForecastRun | None = ForecastRun.objects.select_related("job").filter(pk=pk).first()
    if found is None:
        raise Http404
    return found


class RunsView(ApiView):
    @operation(Need.READ, "Forecasts, the newest first.", lists=RUNS, tag="forecasts")
    def get(self, request: Any) -> HttpResponse:
        return self.page(RUNS)

    @operation(
        Need.PLAN, "Ask for a forecast. While one with the same wishes is open, that one is given.", takes=RunGiven,
        gives=RunShown, status=202, tag="forecasts",
    )  # fmt: skip
    def post(self, request: Any) -> HttpResponse:
        run = services.request_run(self.caller.organisation, **self.given)
        return self.asked_for(RUNS.one(run.pk), f"/api/v1/forecast-runs/{run.pk}")


class CancelRunView(ApiView):
    @operation(Need.PLAN, "Call a forecast off.", gives=RunShown, tag="forecasts")
    def post(self, request: Any, pk: int) -> HttpResponse:
        services.cancel_run(_run(pk))
        return self.answer(RUNS.one(pk))


def _plan(run: ForecastRun, grouping: str) -> Row:
    if not run.in_brief:
        raise Problem("not-now", f"This forecast is {run.get_state_display()} and has no plan.")
    tables = selectors.plan_tables(run)
    if grouping == "portfolio":
        groups = [tables.total]
    else:
        groups = tables.own_years() if grouping == "property_own_years" else tables.by(grouping)
    return {
        "run_id": run.pk,
        "as_of": run.as_of,
        "currency": tables.currency,
        "grouping": grouping,
        "groups": [group_row(table) for table in groups],
        "how_sure": explained.how_sure(run),
        "assumptions": explained.assumptions(run),
    }


class RunPlanView(ApiView):
    @operation(
        Need.READ,
        "A forecast's plan by fiscal year.",
        gives=PlanShown,
        asks={"grouping": BY},
        tag="forecasts",
    )
    def get(self, request: Any, pk: int) -> HttpResponse:
        return self.answer(_plan(_run(pk), self.asked.get("grouping", "portfolio")))


class PlanView(ApiView):
    @operation(
        Need.READ, "The plan in use: the last good forecast of the latest day.", gives=PlanShown,
        asks={"grouping": BY}, tag="forecasts",
    )  # fmt: skip
    def get(self, request: Any) -> HttpResponse:
        run = selectors.latest_run(self.caller.organisation.pk)
        if run is None:
            raise Http404
        return self.answer(_plan(run, self.asked.get("grouping", "portfolio")))


class OutlooksView(ApiView):
    @operation(
        Need.READ, "Heaters likeliest to fail first, with the reasons.", lists=OUTLOOKS, tag="forecasts"
    )
    def get(self, request: Any) -> HttpResponse:
        if "run_id" not in self.asked:
            run = selectors.latest_run(self.caller.organisation.pk)
            self.asked["run_id"] = run.pk if run else 0
        return self.page(OUTLOOKS)


class PlanFileView(ApiView):
    @operation(
        Need.READ, "The plan in use as csv (every year of every grouping) or xlsx (with heaters and what it stands on).",
        file="application/octet-stream", tag="forecasts",
    )  # fmt: skip
    def get(self, request: Any, file_format: str) -> HttpResponse:
        run = selectors.latest_run(self.caller.organisation.pk)
        if run is None or not run.in_brief or file_format not in ("csv", "xlsx"):
            raise Http404
        tables = selectors.plan_tables(run)
        name = f"plan-{run.as_of}.{file_format}"
        if file_format == "xlsx":
            return as_file(downloads.workbook(tables), name, XLSX)
        rows = chain([downloads.YEAR_HEADINGS], downloads.year_rows(tables))
        return as_file(csv_text(rows), name, CSV)


class HeaterOutlookView(ApiView):
    @operation(
        Need.READ, "One heater's future in the plan in use: its chance to have failed, year by year.",
        gives=FutureShown, tag="forecasts",
    )  # fmt: skip
    def get(self, request: Any, pk: int) -> HttpResponse:
        run = forecasts.latest_run(self.caller.organisation.pk)
        found = forecasts.outlook_of(run, pk)
        if found is None:
            raise Http404
        return self.answer(
            {
                "heater_id": pk,
                "as_of": found.as_of,
                "curve": [{"p10": None, "p90": None} | point for point in forecasts.curve(found)],
                "reasons": found.reasons,
                "remedies": found.remedies,
            }
        )


urlpatterns = [
    path("forecast-runs", RunsView.as_view(), name="runs"),
    path("forecast-runs/<number:pk>", single(RUNS, "One forecast", "forecasts"), name="runs_one"),
    path("forecast-runs/<number:pk>/cancel", CancelRunView.as_view(), name="runs_cancel"),
    path("forecast-runs/<number:pk>/plan", RunPlanView.as_view(), name="runs_plan"),
    path("plan", PlanView.as_view(), name="plan"),
    path("outlooks", OutlooksView.as_view(), name="outlooks"),
    path("plan/plan.<str:file_format>", PlanFileView.as_view(), name="plan_file"),
    path("heaters/<number:pk>/outlook", HeaterOutlookView.as_view(), name="heaters_outlook"),
]
