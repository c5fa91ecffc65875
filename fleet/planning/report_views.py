"""The report's pages: ask, follow, download, share; and the shared page that needs no account."""

from __future__ import annotations

from typing import cast

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from fleet.estate.access import Need, may, page
from fleet.estate.pages_address import pages_address
from fleet.planning import capital_words, reports
from fleet.planning.capital_rows import UNREAD, CapitalPlan
from fleet.planning.report_rows import PlanReport, SharedLink

FILES = {
    "pdf": "application/pdf",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


@page(Need.PLAN)
@require_POST
def ask(request: HttpRequest, pk: int) -> HttpResponse:
    plan: CapitalPlan = get_object_or_404(CapitalPlan.objects, pk=pk)
    try:
        report = reports.request_report(plan)
    except reports.ReportRefused as refusal:
        messages.error(request, str(refusal))
        return redirect("planning:capital_plan", plan.pk)
    return redirect("planning:report", report.pk)


@page(Need.READ)
@require_GET
@never_cache
def report(request: HttpRequest, pk: int) -> HttpResponse:
    unread = ("pdf", "xlsx", *(f"plan__{name}" for name in UNREAD))
    row = get_object_or_404(PlanReport.objects.select_related("plan__run", "job").defer(*unread), pk=pk)
    context = {
        "report": row,
        "currency": capital_words.currency_of(row.plan),
        "is_open": row.state in (PlanReport.State.WAITING, PlanReport.State.RUNNING),
        "links": row.links.all(),
        "now": timezone.now(),
        "may_plan": may(request, Need.PLAN),
    }
    return render(request, "planning/report.html", context)


@page(Need.READ)
@require_GET
def file(request: HttpRequest, pk: int, file_format: str) -> HttpResponse:
    return _file(get_object_or_404(PlanReport.objects, pk=pk, state=PlanReport.State.DONE), file_format)


def _file(row: PlanReport, file_format: str) -> HttpResponse:
    if file_format not in FILES:
        raise Http404
    response = HttpResponse(bytes(getattr(row, file_format)), content_type=FILES[file_format])
    name = f"water-heater-plan-{(row.content or {})['as_of']}.{file_format}"
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    response["X-Content-Type-Options"] = "nosniff"
    return response


@page(Need.PLAN)
@require_POST
def share(request: HttpRequest, pk: int) -> HttpResponse:
    row = get_object_or_404(PlanReport.objects.defer("pdf", "xlsx"), pk=pk)
    written = request.POST.get("days", "30").strip()
    try:
        if not written.isdecimal() or len(written) > 4:
            raise reports.ReportRefused(f"'{written}' is not a number of days; write for instance 30.")
        _, key = reports.share_report(row, int(written), request.POST.get("words", "").strip())
    except reports.ReportRefused as refusal:
        messages.error(request, str(refusal))
    else:
        address = pages_address(request, f"/shared/plan/{key}/")
        messages.success(request, f"Copy this link now, it is shown only once: {address}")
    return redirect("planning:report", row.pk)


@page(Need.PLAN)
@require_POST
def revoke(request: HttpRequest, pk: int) -> HttpResponse:
    link = get_object_or_404(SharedLink.objects.select_related("report"), pk=pk)
    reports.revoke_link(link)
    messages.success(request, "The link no longer opens anything.")
    return redirect("planning:report", link.report_id)


@page(Need.PUBLIC)
@require_GET
@never_cache
def shared(request: HttpRequest, key: str) -> HttpResponse:
    found = _shared(key)
    response = render(
        request, "planning/shared_report.html", {"content": cast(PlanReport, found).content, "key": key}
    )
    return _unseen(response)


@page(Need.PUBLIC)
@require_GET
@never_cache
def shared_file(request: HttpRequest, key: str, file_format: str) -> HttpResponse:
    return _unseen(_file(_shared(key, count=False), file_format))


def _shared(key: str, count: bool = True) -> PlanReport:
    found = reports.open_shared(key, count)
    if found is None:
        raise Http404
    return found


def _unseen(response: HttpResponse) -> HttpResponse:
    """No search engine keeps it, and the key leaves with no link that is followed from it."""
    response["X-Robots-Tag"] = "noindex, nofollow, noarchive"
    response["Referrer-Policy"] = "no-referrer"
    return response
