"""The priors' pages: every figure the forecast starts from, with its source; a change of one, and its way back."""

from __future__ import annotations

from typing import Any, cast

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods

from fleet.estate.access import MemberRequest, Need, page
from fleet.planning import priors
from fleet.planning.prior_rows import PriorEntry


@page(Need.READ)
@require_GET
def table(request: HttpRequest) -> HttpResponse:
    organisation_id = cast(MemberRequest, request).organisation.pk
    rows = priors.shown(organisation_id)
    context = {
        "kinds": priors.combined(organisation_id),
        "lifetimes": [row for row in rows if row.table == "lifetimes"],
        "effects": [row for row in rows if row.table == "effects"],
        "entered": sum(row.entered for row in rows),
    }
    return render(request, "planning/priors.html", context)


@page(Need.PLAN)
@require_http_methods(["GET", "POST"])
def one(request: HttpRequest, table: str, row_id: str) -> HttpResponse:
    organisation = cast(MemberRequest, request).organisation
    row = priors.one(organisation.pk, table, row_id)
    if row is None:
        raise Http404
    problem = ""
    if request.method == "POST":
        try:
            _save(request, row)
        except priors.PriorRefused as refusal:
            problem = str(refusal)
        else:
            return redirect("planning:prior", table, row_id)
    typed = request.POST if problem else None
    context: dict[str, Any] = {
        "row": row,
        "problem": problem,
        "spread_name": "Weight beside other sources (0: not used)"
        if table == "lifetimes"
        else "Standard deviation",
        "value": typed["value"] if typed else f"{row.value:g}",
        "spread": typed.get("spread", "") if typed else "" if row.spread is None else f"{row.spread:g}",
        "reason": typed["reason"] if typed else "",
        "versions": PriorEntry.objects.filter(table=table, row_id=row_id),
    }
    return render(request, "planning/prior.html", context, status=422 if problem else 200)


def _save(request: HttpRequest, row: priors.Row) -> None:
    organisation, posted = cast(MemberRequest, request).organisation, request.POST
    reason = posted.get("reason", "")
    if "return" in posted:
        if priors.return_to_shipped(organisation, row.table, row.row_id, reason):
            messages.success(request, "The shipped figure speaks again from the next forecast on.")
        return
    value = _number(posted.get("value", ""), row, "value")
    spread = None if row.spread is None else _number(posted.get("spread", ""), row, "weight or spread")
    if priors.enter(organisation, row.table, row.row_id, value, spread, reason):
        messages.success(request, "The figure is entered. It speaks from the next forecast on.")
    else:
        messages.info(request, "That is the figure already in force; nothing was changed.")


def _number(written: str, row: priors.Row, name: str) -> float:
    try:
        return float(written.strip())
    except ValueError:
        raise priors.PriorRefused(
            f"{row.row_id}, {name}: '{written}' is not a number; write for instance 12.5."
        ) from None
