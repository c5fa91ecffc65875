"""Looking back: last year's plan against what happened."""

from __future__ import annotations

from typing import cast

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_http_methods

from fleet.estate.access import MemberRequest, Need, may, page
from fleet.estate.calendar import today_of
from fleet.estate.row_numbers import row_number
from fleet.planning import reviews as _verbs
from fleet.planning.capital import CapitalRefused, caps_by_name
from fleet.planning.capital_rows import CapitalPlan, with_their_runs
from fleet.planning.models import PlanReview


@page(Need.READ)
@require_http_methods(["GET", "HEAD", "POST"])
def reviews(request: HttpRequest) -> HttpResponse:
    """The looks kept so far, and a new one."""
    from django.core.exceptions import PermissionDenied

    today = today_of(cast(MemberRequest, request).organisation)
    if request.method == "POST":
        if not may(request, Need.PLAN):
            raise PermissionDenied
        plan_id, _, at = request.POST.get("year", "").partition(":")
        if not (row_number(plan_id) and at.isdecimal() and len(at) < 4):
            messages.error(request, "Choose a plan's fiscal year that is over.")
            return redirect("planning:reviews")
        plan = get_object_or_404(
            CapitalPlan.objects.select_related("run", "organisation"), pk=row_number(plan_id)
        )
        try:
            bills = caps_by_name(request.POST.get("bills", "").splitlines())
            review = _verbs.look_back(plan, int(at), bills)
        except (_verbs.ReviewRefused, CapitalRefused) as refusal:
            messages.error(request, str(refusal))
            return redirect("planning:reviews")
        return redirect("planning:review", review.pk)
    plans = with_their_runs().filter(state=CapitalPlan.State.DONE)[:20]
    context = {
        "reviews": PlanReview.objects.defer("content"),
        "years": [
            (f"{plan.pk}:{at}", year["label"], plan)
            for plan in plans
            for at, year in reversed(_verbs.finished_years(plan, today))
        ],
        "may_plan": may(request, Need.PLAN),
    }
    return render(request, "planning/reviews.html", context)


@page(Need.READ)
@require_GET
def review(request: HttpRequest, pk: int) -> HttpResponse:
    row = get_object_or_404(PlanReview.objects.select_related("plan"), pk=pk)
    context = {
        "review": row,
        "rows": _verbs.rows_shown(row),
        "totals": _verbs.totals(row),
        "currency": row.content["currency"],
    }
    return render(request, "planning/review.html", context)
