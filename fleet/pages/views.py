"""Signing in, the portfolio at a glance, the record of changes, background jobs."""

from __future__ import annotations

from typing import Any, cast

from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from fleet.estate import background
from fleet.estate.access import MemberRequest, Need, may, page
from fleet.estate.calendar import day_of
from fleet.estate.history import history_in_sight
from fleet.estate.models import Job, Membership, Organisation, Property
from fleet.estate.row_numbers import row_number
from fleet.pages import crew_start, first_steps, fleet_ages, forecasts
from fleet.pages.words import yes_no


@page(Need.READ)
@require_GET
def portfolio(request: HttpRequest) -> HttpResponse:
    member = cast(MemberRequest, request)
    if member.organisation.kind == Organisation.Kind.COMPANY:
        return redirect("contracts:clients")
    if may(request, Need.WORK) and not may(request, Need.PLAN) and "whole" not in request.GET:
        return render(request, "pages/today.html", crew_start.today(member.organisation, member.user.pk))
    today = day_of(member.organisation)
    run = forecasts.latest_run(member.organisation.pk)
    return render(
        request,
        "pages/portfolio.html",
        {
            "today": today,
            "ages": fleet_ages.ages(today),
            "property_count": Property.objects.count(),
            "due": forecasts.due_summary(today),
            "run": run,
            "years": forecasts.years(run),
            "currency": forecasts.currency(run),
            "watch": list(forecasts.outlooks(run)[:8]),
            "first_steps": first_steps.of(member.organisation) if may(request, Need.PLAN) else [],
        },
    )


@page(Need.READ)
def choose_organisation(request: HttpRequest) -> HttpResponse:
    person = cast(MemberRequest, request).user
    memberships = Membership.objects.filter(person_id=person.pk).select_related("organisation").order_by("id")
    if request.method == "POST":
        chosen = get_object_or_404(
            memberships, organisation_id=row_number(request.POST.get("organisation", ""))
        )
        request.session["organisation_id"] = chosen.organisation_id
        return redirect("pages:portfolio")
    return render(request, "pages/choose_organisation.html", {"memberships": memberships})


@page(Need.READ)
@require_GET
def history(request: HttpRequest) -> HttpResponse:
    entries = history_in_sight(may(request, Need.PLAN))
    subject = request.GET.get("heater", "")
    if subject:
        entries = entries.filter(subject_kind="heater", subject_id=row_number(subject))
    leaf = Paginator(entries, 50).get_page(request.GET.get("page"))
    return render(request, "pages/history.html", {"leaf": leaf, "of_heater": subject})


def _job(pk: int) -> Job:
    job: Job = get_object_or_404(Job.objects, pk=pk)
    return job


@page(Need.READ)
@require_GET
@never_cache
def job(request: HttpRequest, pk: int) -> HttpResponse:
    row = _job(pk)
    return render(
        request,
        "pages/job.html",
        {
            "job": row,
            "is_open": row.is_open,
            "may_change": may(request, background.need_to_change(row)),
            "can_try_again": row.state in (Job.State.GIVEN_UP, Job.State.CANCELLED),
            "result": _plain_result(row.result),
        },
    )


def _plain_result(result: Any) -> list[tuple[str, Any]]:
    """What a finished job says of itself, as far as a person can read it: no row's number, and not its state twice."""
    if not isinstance(result, dict):
        return []
    plain = (str, int, float)
    return [
        (name.replace("_", " "), yes_no(value) if isinstance(value, bool) else value)
        for name, value in result.items()
        if isinstance(value, plain) and value != "" and name != "state" and not name.endswith("_id")
    ]


def _own_to_change(request: HttpRequest, pk: int) -> Job:
    """A job is called off or set off again by who may ask for its kind."""
    row = _job(pk)
    if not may(request, background.need_to_change(row)):
        raise PermissionDenied
    return row


@page(Need.WORK)
@require_POST
def cancel_job(request: HttpRequest, pk: int) -> HttpResponse:
    background.cancel(_own_to_change(request, pk))
    return redirect("pages:job", pk)


@page(Need.WORK)
@require_POST
def try_job_again(request: HttpRequest, pk: int) -> HttpResponse:
    background.try_again(_own_to_change(request, pk))
    return redirect("pages:job", pk)
