"""What a property decides about its care: intervals with their source, who may do it, what is not done here."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from fleet.care import crews, services
from fleet.care.card_words import languages
from fleet.care.kinds import WORKERS, task_kinds
from fleet.care.models import CareSetting, SiteCare
from fleet.care.rules import every
from fleet.estate.access import Need, page
from fleet.estate.background import enqueue
from fleet.estate.models import Property


@page(Need.PLAN)
@require_http_methods(["GET", "HEAD", "POST"])
def settings_page(request: HttpRequest, pk: int) -> HttpResponse:
    row: Property = get_object_or_404(Property.objects.select_related("organisation"), pk=pk)
    if request.method == "POST":
        return _keep(request, row)
    own = {setting.kind: setting for setting in CareSetting.objects.filter(property=row)}
    kinds = [
        {
            "kind": kind,
            "every": every(kind.interval_months),
            "own": own.get(code),
            "own_every": _own_every(own.get(code)),
        }
        for code, kind in sorted(task_kinds().items(), key=lambda item: item[1].name)
    ]
    site = SiteCare.objects.filter(property=row).first()
    values = {
        "property": row,
        "kinds": kinds,
        "workers": WORKERS,
        "checked": site is None or site.licences_checked,
        "languages": languages(),
        "chosen": site.languages if site else [],
    }
    return render(request, "care/settings.html", values)


@page(Need.PLAN)
@require_POST
def site_care(request: HttpRequest, pk: int) -> HttpResponse:
    """Whether licences are checked here, and the languages of the cards and notices."""
    row: Property = get_object_or_404(Property.objects, pk=pk)
    try:
        crews.set_site_care(
            row, bool(request.POST.get("licences_checked")), request.POST.getlist("languages")
        )
    except services.CareRefused as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, "Kept.")
    return redirect("care:settings", row.pk)


def _own_every(setting: CareSetting | None) -> str:
    return every(setting.interval_months) if setting is not None and setting.interval_months else ""


def _keep(request: HttpRequest, row: Property) -> HttpResponse:
    asked = request.POST
    months = asked.get("interval_months", "").strip()
    try:
        services.set_care(
            row,
            asked.get("kind", ""),
            asked.get("source", "")[:200],
            interval_months=int(months) if months else None,
            switched_off=bool(asked.get("switched_off")),
            done_by=asked.get("done_by", ""),
        )
    except services.CareRefused as refused:
        messages.error(request, " ".join([str(refused), *refused.problems.values()]))
    except ValueError:
        messages.error(request, f"{months!r} is not a number of months. Right would be 12.")
    else:
        enqueue("roll_forward", {}, row.organisation_id, unique_key="care setting")
        messages.success(request, "Kept. The queue follows within a minute.")
    return redirect("care:settings", row.pk)
