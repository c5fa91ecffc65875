"""Crews and their licences; who goes where, in which order."""

from __future__ import annotations

from typing import cast

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.dateparse import parse_date
from django.views.decorators.http import require_http_methods, require_POST

from fleet.care import crews as verbs
from fleet.care import visits
from fleet.care.models import Crew, Visit
from fleet.care.reading import CareRefused
from fleet.estate.access import MemberRequest, Need, page
from fleet.estate.background import enqueue
from fleet.estate.row_numbers import row_number, row_numbers


@page(Need.PLAN)
@require_http_methods(["GET", "HEAD", "POST"])
def crews(request: HttpRequest) -> HttpResponse:
    _whole_house(request)
    organisation = cast(MemberRequest, request).organisation
    if request.method == "POST":
        return _keep(request, None)
    people = list(verbs.people_of(organisation))
    rows = Crew.objects.prefetch_related("people")
    shown = [{"crew": row, "people": {person.pk for person in row.people.all()}} for row in rows]
    values = {"crews": shown, "people": people, "licences": verbs.LICENCES, "empty": {"people": set()}}
    return render(request, "care/crews.html", values)


@page(Need.PLAN)
@require_POST
def change_crew(request: HttpRequest, pk: int) -> HttpResponse:
    _whole_house(request)
    return _keep(request, get_object_or_404(Crew.objects, pk=pk))


def _whole_house(request: HttpRequest) -> None:
    """Crews serve all properties: a member of some of them does not rule over them."""
    if not cast(MemberRequest, request).membership.all_properties:
        raise PermissionDenied


def _keep(request: HttpRequest, crew: Crew | None) -> HttpResponse:
    asked = request.POST
    hours = asked.get("hours_a_day", "").strip()
    minutes = verbs.minutes_written(hours)
    if minutes is None:
        messages.error(request, f"Hours of work a day: '{hours}' cannot be read; 7, 7.5 or 7:30 can.")
        return redirect("care:crews")
    people = row_numbers(asked.getlist("people"))
    try:
        row = verbs.keep_crew(
            cast(MemberRequest, request).organisation,
            asked.get("name", ""),
            minutes,
            asked.getlist("licences"),
            people,
            crew,
        )
    except CareRefused as refused:
        messages.error(request, " ".join([str(refused), *refused.problems.values()]))
    else:
        messages.success(request, f"{row.name} is put down.")
    return redirect("care:crews")


@page(Need.WORK)
@require_POST
def lay_out(request: HttpRequest) -> HttpResponse:
    """Lay the whole queue out as visits, in the background."""
    _whole_house(request)
    enqueue("lay_visits", {}, cast(MemberRequest, request).organisation.pk, unique_key="lay visits")
    messages.success(request, "The queue is being laid out; the visits appear here within a few minutes.")
    return redirect("care:visits")


@page(Need.WORK)
@require_POST
def give(request: HttpRequest, pk: int) -> HttpResponse:
    visit: Visit = get_object_or_404(Visit.objects, pk=pk)
    asked = request.POST.get("crew", "")
    crew = get_object_or_404(Crew.objects, pk=row_number(asked)) if asked else None
    try:
        visits.give_visit(visit, crew, request.POST.get("reason", ""))
    except CareRefused as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, f"The visit is given to {crew or 'no crew'}; the reason is kept.")
    return redirect("care:visit", pk)


@page(Need.WORK)
@require_POST
def order(request: HttpRequest) -> HttpResponse:
    """The day's buildings in the order given by hand."""
    try:
        day = parse_date(request.POST.get("day", ""))
    except ValueError:
        day = None
    if day is None:
        messages.error(request, "That is not a day. Right would be 2026-11-25.")
        return redirect("care:visits")
    numbers = row_numbers(request.POST.getlist("visit"))
    moved = row_number(request.POST.get("earlier", ""))
    if moved in numbers:
        at = numbers.index(moved)
        if at:
            numbers[at - 1], numbers[at] = numbers[at], numbers[at - 1]
    visits.order_day(day, request.POST.get("crew", ""), numbers)
    messages.success(request, "The order of the day is kept.")
    return redirect("care:visits")


@page(Need.WORK)
@require_POST
def mark(request: HttpRequest, pk: int) -> HttpResponse:
    """Begin or end a visit now."""
    visit: Visit = get_object_or_404(Visit.objects, pk=pk)
    verb = visits.end_visit if request.POST.get("what") == "ended" else visits.begin_visit
    changed = verb(visit, timezone.now())
    messages.success(
        request, "The time is kept." if changed else "It was noted already; the first time stands."
    )
    return redirect("care:visit", pk)
