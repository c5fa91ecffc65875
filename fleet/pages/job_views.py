"""Background work of the organisation, and for whoever operates the installation how all of it stands."""

from __future__ import annotations

from typing import cast

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET

from fleet.estate import backlog
from fleet.estate.access import MemberRequest, Need, page
from fleet.estate.models import Job
from fleet.estate.scope import unscoped


@page(Need.READ)
@require_GET
@never_cache
def jobs(request: HttpRequest) -> HttpResponse:
    state = request.GET.get("state", "")
    now = backlog.standing()
    whole, complaints = None, []
    if cast(MemberRequest, request).user.is_staff:
        with unscoped("whoever operates the installation sees how all of it stands"):
            whole, complaints = backlog.standing(), backlog.complaints()
    values = {
        "leaf": Paginator(backlog.jobs(state), 50).get_page(request.GET.get("page")),
        "state": state,
        "states": [(value, label, now.counts[str(label)]) for value, label in Job.State.choices],
        "now": now,
        "whole": whole,
        "complaints": complaints,
    }
    return render(request, "pages/jobs.html", values)
