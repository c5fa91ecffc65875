"""The plan's pages: year table, groupings, ranked list, files, and the progress of a forecast."""

from __future__ import annotations

from datetime import date
from typing import Any, cast

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from fleet.estate.access import MemberRequest, Need, page
from fleet.estate.calendar import today_of
from fleet.heaters.csv_answer import csv_answer
from fleet.heaters.models import Heater
from fleet.planning import downloads, explained, selectors, services
from fleet.planning.models import ForecastRun

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
OPEN_STATES = (ForecastRun.State.WAITING, ForecastRun.State.RUNNING)


def _organisation_id(request: HttpRequest) -> int:
    return cast(MemberRequest, request).organisation.pk


def _plan(request: HttpRequest) -> selectors.PlanTables:
    run = selectors.latest_run(_organisation_id(request))
    if run is None:
        raise Http404
    return selectors.plan_tables(run)


@page(Need.READ)
@require_GET
def plan(request: HttpRequest) -> HttpResponse:
    latest = selectors.latest_run(_organisation_id(request))
    context: dict[str, Any] = {
        "open_runs": list(selectors.open_runs(_organisation_id(request))),
        "plan": None,
        "heaters_on_record": latest is not None or Heater.objects.filter(ending="").exists(),
        "today": today_of(cast(MemberRequest, request).organisation),
    }
    if latest is not None:
        context |= {
            "plan": selectors.plan_tables(latest),
            "run": latest,
            "watch": selectors.ranked(latest)[:10],
            "out_of_date": explained.out_of_date(latest, context["today"]),
            "how_sure": explained.how_sure(latest),
            "assumptions": explained.assumptions(latest),
        }
    return render(request, "planning/plan.html", context)


@page(Need.READ)
@require_GET
def grouped(request: HttpRequest, grouping: str) -> HttpResponse:
    """The year tables of every property, building or kind, a leaf at a time."""
    if grouping not in selectors.GROUPINGS:
        raise Http404
    found = _plan(request)
    leaf = Paginator(found.order(grouping), 10).get_page(request.GET.get("page"))
    shown = found.some(grouping, list(leaf))
    own = {}
    if grouping == "property":
        own = {table.key: table for table in found.own_years([table.key for table in shown])}
    context = {
        "plan": found,
        "run": found.run,
        "grouping": grouping,
        "leaf": leaf,
        "tables": [(table, own.get(table.key)) for table in shown],
        "groupings": selectors.GROUPINGS,
        "left_out": found.run.in_brief.get("left_out", {}).get(grouping, 0),
    }
    return render(request, "planning/grouped.html", context)


@page(Need.READ)
@require_GET
def heaters(request: HttpRequest) -> HttpResponse:
    run = selectors.latest_run(_organisation_id(request))
    if run is None:
        raise Http404
    leaf = selectors.RankedLeaves(run, 50).get_page(request.GET.get("page"))
    return render(request, "planning/heaters.html", {"run": run, "leaf": leaf})


@page(Need.READ)
@require_GET
def download(request: HttpRequest, what: str, file_format: str) -> HttpResponseBase:
    found = _plan(request)
    name = f"{what}-{found.run.as_of}.{file_format}"
    if (what, file_format) == ("plan", "csv"):
        return csv_answer(name, downloads.YEAR_HEADINGS, downloads.year_rows(found))
    if (what, file_format) == ("heaters", "csv"):
        return csv_answer(name, downloads.HEATER_HEADINGS, downloads.heater_rows(found.run))
    if (what, file_format) != ("plan", "xlsx"):
        raise Http404
    response = HttpResponse(downloads.workbook(found), content_type=XLSX)
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


@page(Need.READ)
@require_GET
def runs(request: HttpRequest) -> HttpResponse:
    organisation_id = _organisation_id(request)
    context = {
        "runs": list(selectors.recent_runs(organisation_id)),
        "in_use": selectors.latest_run(organisation_id),
        "today": today_of(cast(MemberRequest, request).organisation),
    }
    return render(request, "planning/runs.html", context)


@page(Need.PLAN)
@require_POST
def ask(request: HttpRequest) -> HttpResponse:
    """Ask for a forecast in the background; a second click finds the one already open."""
    try:
        written = request.POST.get("as_of", "").strip()
        as_of = date.fromisoformat(written) if written else None
        years = int(request.POST.get("years", "10"))
    except ValueError:
        messages.error(request, "Give the day as 2026-11-25 and the years as a whole number from 1 to 40.")
        return redirect("planning:runs")
    try:
        run = services.request_run(
            cast(MemberRequest, request).organisation, as_of=as_of, horizon_years=years
        )
    except services.RunRefused as refusal:
        messages.error(request, str(refusal))
        return redirect("planning:runs")
    return redirect("planning:run", run.pk)


@page(Need.READ)
@require_GET
@never_cache
def run(request: HttpRequest, pk: int) -> HttpResponse:
    row = get_object_or_404(ForecastRun.objects.select_related("job"), pk=pk)
    is_open = row.state in OPEN_STATES
    context = {
        "run": row,
        "is_open": is_open,
        "in_use": selectors.latest_run(row.organisation_id),
        "how_sure": explained.how_sure(row) if row.state == ForecastRun.State.DONE else [],
    }
    return render(request, "planning/run.html", context)


@page(Need.PLAN)
@require_POST
def cancel(request: HttpRequest, pk: int) -> HttpResponse:
    services.cancel_run(get_object_or_404(ForecastRun.objects.select_related("job"), pk=pk))
    return redirect("planning:run", pk)
