"""The page that says what is missing and what it costs not to know."""

from __future__ import annotations

from typing import cast

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from fleet.estate.access import MemberRequest, Need, may, page
from fleet.estate.background import enqueue
from fleet.estate.calendar import day_of
from fleet.estate.models import Job
from fleet.estate.scope import current_scope, scoped
from fleet.heaters.quality import Quality, quick_look
from fleet.heaters.quality_jobs import DATA_QUALITY


@page(Need.READ)
@never_cache
def data_quality(request: HttpRequest) -> HttpResponse:
    organisation = cast(MemberRequest, request).organisation
    jobs = Job.objects.filter(organisation=organisation, kind=DATA_QUALITY).order_by("-id")
    last = jobs.first()
    done = jobs.filter(state=Job.State.DONE).first()
    refused = (done.result or {}).get("refused", "") if done else ""
    computed = Quality.of(done.result) if done and done.result and not refused else None
    with scoped(current_scope().own_only()):
        quality = computed or quick_look(organisation, day_of(organisation), at_once=True)
    context = {
        "quality": quality,
        "refused": refused,
        "computed_at": done.finished_at if done and computed else None,
        "job": last if last and last.is_open else None,
        "failed": last if last and last.state == Job.State.GIVEN_UP else None,
        "may_compute": may(request, Need.PLAN) and cast(MemberRequest, request).membership.all_properties,
    }
    return render(request, "heaters/data_quality.html", context)


@page(Need.PLAN)
@require_POST
def compute_data_quality(request: HttpRequest) -> HttpResponse:
    """It looks at the whole house, so a member of some properties does not ask for it."""
    if not cast(MemberRequest, request).membership.all_properties:
        raise PermissionDenied
    organisation = cast(MemberRequest, request).organisation
    today = day_of(organisation).isoformat()
    enqueue(DATA_QUALITY, {"as_of": today}, organisation.pk, unique_key=DATA_QUALITY)
    return redirect("heaters_export:data_quality")
