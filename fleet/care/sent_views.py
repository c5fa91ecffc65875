"""What came from phones: what waits for a person, with both values, and what was kept."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet.care import selectors, settling
from fleet.care.models import SentEntry
from fleet.care.reading import CareRefused
from fleet.estate.access import Need, may, page
from fleet.estate.scope import current_scope

SHOWN = 50
WITH = ("task__heater__position__building__property", "visit__building", "person")


@page(Need.READ)
@require_GET
def sent(request: HttpRequest) -> HttpResponse:
    rows = SentEntry.objects.select_related(*WITH)
    waiting = selectors.waiting_entries().select_related(*WITH).order_by("id")[:SHOWN]
    scope, may_settle = current_scope(), may(request, Need.PLAN)
    values = {
        "waiting": [
            (row, settling.choices_for(row), may_settle and scope.owns(row.organisation_id))
            for row in waiting
        ],
        "rest": rows.exclude(result__in=["decide", "noted"], settled_at=None)[:SHOWN],
    }
    return render(request, "care/sent.html", values)


@page(Need.PLAN)
@require_POST
def settle(request: HttpRequest, pk: int) -> HttpResponse:
    row: SentEntry = get_object_or_404(SentEntry.objects.select_related("task__heater__position"), pk=pk)
    try:
        settling.settle(row, request.POST.get("choice", ""), request.POST.get("reason", ""), timezone.now())
    except CareRefused as refused:
        messages.error(request, " ".join([str(refused), *refused.problems.values()]))
    else:
        messages.success(request, "Settled; what was sent stays in history.")
    return redirect("care:sent")
