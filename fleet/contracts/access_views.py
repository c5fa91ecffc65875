"""Which company may do what at which property: the owner's page, and the company's page of its clients."""

from __future__ import annotations

from datetime import date
from typing import Any, cast

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_GET, require_POST

from fleet.care.sum_rows import HORIZONS
from fleet.contracts import clients as asked
from fleet.contracts import demo
from fleet.estate import grants
from fleet.estate.access import MemberRequest, Need, page
from fleet.estate.calendar import day_of, today_of
from fleet.estate.choice_fields import WhereForm, some_properties
from fleet.estate.models import AccessGrant, Organisation, Property
from fleet.estate.row_numbers import row_number
from fleet.pages import charts


@page(Need.ADMIN)
def access(request: HttpRequest) -> HttpResponse:
    """The companies that have access, and the form that gives it."""
    organisation = cast(MemberRequest, request).organisation
    problems: dict[str, str] = {}
    own = Property.objects.filter(organisation=organisation)
    sent = request.POST if request.method == "POST" else None
    where = WhereForm(sent, "properties", some_properties("Where", own))
    if request.method == "POST":
        try:
            grant = grants.grant_access(organisation, **_wanted(request, where.chosen or []))
        except grants.GrantRefused as refused:
            problems = refused.problems | where.problems
        else:
            messages.success(request, f"{grant.company} now has access: {grant.get_level_display()}.")
            return redirect("contracts:access")
    rows = AccessGrant.objects.select_related("company").prefetch_related("properties")
    today = today_of(organisation)
    values = {
        "grants": [
            {
                "row": row,
                "properties": list(row.properties.all()),
                "state": _state(row, today),
                "open": row.revoked_at is None and (row.until is None or row.until >= today),
            }
            for row in rows
        ],
        "levels": AccessGrant.LEVELS,
        "where": where["properties"] if own.exists() else None,
        "problems": problems,
        "given": request.POST,
        "today": today,
    }
    return render(request, "contracts/access.html", values, status=422 if problems else 200)


def _state(row: AccessGrant, today: date) -> str:
    if row.revoked_at is not None:
        return f"revoked by {row.revoked_by}"
    if row.until is None:
        return "until revoked"
    return "ended" if row.until < today else "open"


def _wanted(request: HttpRequest, properties: list[Property]) -> dict[str, Any]:
    given = request.POST
    level, until = given.get("level", ""), given.get("until", "").strip()
    try:
        day = date.fromisoformat(until) if until else None
    except ValueError:
        raise grants.GrantRefused({"until": f"{until!r} is not a day. Right would be 2026-12-31."}) from None
    return {
        "code": given.get("code", "")[:20],
        "property_ids": [row.pk for row in properties],
        "level": row_number(level),
        "until": day,
    }


@page(Need.ADMIN)
@require_POST
def revoke(request: HttpRequest, pk: int) -> HttpResponse:
    row: AccessGrant = get_object_or_404(AccessGrant.objects.select_related("company"), pk=pk)
    if grants.revoke_access(row, request.POST.get("reason", "").strip()):
        messages.success(request, f"{row.company} has no access by this grant any more, from this moment on.")
    return redirect("contracts:access")


def company_or_404(request: HttpRequest) -> Organisation:
    organisation = cast(MemberRequest, request).organisation
    if organisation.kind != Organisation.Kind.COMPANY:
        raise Http404
    return organisation


@page(Need.READ)
@require_GET
def clients(request: HttpRequest) -> HttpResponse:
    company = company_or_404(request)
    values = {
        "preparing": demo.is_preparing(company),
        "code": grants.code_of(company),
        "clients": asked.overview(company),
        "today": day_of(company),
    }
    return render(request, "contracts/clients.html", values)


@page(Need.READ)
@require_GET
def places(request: HttpRequest) -> HttpResponse:
    """Where the due work of all clients is: one row a property, with its address, the longest late first."""
    company, horizon = company_or_404(request), _horizon(request)
    today = day_of(company)
    rows = asked.due_places(today, horizon)
    values = {
        "rows": rows[: asked.MOST_LISTED],
        "more": len(rows[asked.MOST_LISTED :]),
        "map": asked.due_map(rows),
        "days": horizon,
        "today": today,
    }
    return render(
        request, "contracts/places.html", values | {"horizons": HORIZONS, "query": f"days={horizon}"}
    )


def _horizon(request: HttpRequest) -> int:
    days = request.GET.get("days", "")
    return row_number(days) if row_number(days) in HORIZONS else 60


@page(Need.READ)
@require_GET
@cache_control(private=True, max_age=30)
def places_picture(request: HttpRequest) -> HttpResponse:
    company, narrow = company_or_404(request), request.GET.get("narrow") == "1"
    found = asked.due_map(asked.due_places(day_of(company), _horizon(request)), narrow)
    if not found.spots:
        raise Http404
    spec = charts.place_map(found.spots, found.labels, found.finding, narrow, "tasks due")
    response = HttpResponse(charts.svg(spec), content_type="image/svg+xml")
    response["X-Content-Type-Options"] = "nosniff"
    return response
