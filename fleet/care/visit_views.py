"""Visits by day: laid out from a building's queue, moved by hand."""

from __future__ import annotations

from datetime import date, timedelta
from typing import cast

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_POST

from fleet.care import crew_days, notices, selectors, sheets
from fleet.care import visits as verbs
from fleet.care.models import Crew, Visit
from fleet.care.services import CareRefused
from fleet.estate.access import MemberRequest, Need, may, needs_at, page
from fleet.estate.calendar import day_of, today_of
from fleet.estate.models import Building, Job
from fleet.estate.row_numbers import row_number
from fleet.pages.words import how_many

DAYS_SHOWN = 60
PER_LEAF = 20
TASKS_SPELLED_OUT = 6  # of each visit in the list; all of them stand on the visit's own page


@page(Need.READ)
@require_GET
def visits(request: HttpRequest) -> HttpResponse:
    """The coming days, and visits of the last week that still have open tasks."""
    today = day_of(cast(MemberRequest, request).organisation)
    first, last = today - timedelta(days=7), today + timedelta(days=DAYS_SHOWN)
    asked = request.GET.get("building", "")
    building = (
        Building.objects.select_related("property").filter(pk=row_number(asked)).first() if asked else None
    )
    rows = selectors.visits_between(first, last, building.pk if building else None)
    leaf = Paginator(rows, PER_LEAF).get_page(request.GET.get("page"))
    values = {
        "days": crew_days.by_day(leaf, today, TASKS_SPELLED_OUT),
        "leaf": leaf,
        "first": first,
        "last": last,
        "building": building,
        "no_crew": not Crew.objects.exists(),
        "laying": Job.objects.filter(kind="lay_visits", state__in=Job.OPEN).first(),
    }
    rights = {"may_work": may(request, Need.WORK), "may_plan": may(request, Need.PLAN)}
    return render(request, "care/visits.html", values | rights)


@page(Need.READ)
@require_GET
def visit(request: HttpRequest, pk: int) -> HttpResponse:
    """One visit: all its open tasks in their order, and the forms that change it."""
    rows = Visit.objects.select_related("building__property__organisation", "team")
    row: Visit = get_object_or_404(rows, pk=pk)
    place = row.building.property
    [day] = crew_days.by_day([row], today_of(place.organisation, place))
    written = [
        sheets.to_write(one.kind, one.tag, one.place, one.caution, one.out_of_service)
        for one in day.visits[0].lines
        if not one.stopped
    ]
    values = {
        "visit": row,
        "day": day,
        "row": day.visits[0],
        "needs": needs_at(request, place),
        "crews": Crew.objects.all(),
        "sheet": sheets.sheet_of(written, place),
    }
    return render(request, "care/visit.html", values)


@page(Need.WORK)
@require_POST
def plan(request: HttpRequest, pk: int) -> HttpResponse:
    building: Building = get_object_or_404(Building.objects.select_related("property__organisation"), pk=pk)
    laid = verbs.plan_visits(building, today_of(building.property.organisation, building.property))
    messages.success(
        request, f"Laid out: {how_many(laid.tasks, 'task')} as {how_many(laid.visits, 'visit')}."
    )
    return redirect("care:visits")


@page(Need.WORK)
@require_POST
def move(request: HttpRequest, pk: int) -> HttpResponse:
    visit: Visit = get_object_or_404(Visit.objects, pk=pk)
    text = request.POST.get("day", "")
    try:
        verbs.move_visit(visit, date.fromisoformat(text), request.POST.get("reason", ""))
    except CareRefused as refused:
        messages.error(request, str(refused))
    except ValueError:
        messages.error(request, f"{text!r} is not a day. Right would be 2026-11-25.")
    else:
        messages.success(request, f"The visit is moved to {text}; the reason is kept.")
    return redirect("care:visit", pk)


@page(Need.READ)
@require_GET
def notice(request: HttpRequest, pk: int) -> HttpResponse:
    """A notice for the people served, in the property's languages: to print and hang, or to mail as text."""
    rows = Visit.objects.select_related("building__property", "organisation")
    visit: Visit = get_object_or_404(rows, pk=pk)
    found = notices.notice_of(visit)
    if request.GET.get("as") == "text":
        return HttpResponse(found.text, content_type="text/plain; charset=utf-8")
    return render(request, "care/notice.html", {"visit": visit, "notice": found})
