"""Label sheet and shut-off card; the public card behind a label's code shows no person and nothing to attack."""

from __future__ import annotations

from typing import Any

import segno
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.care import labels as verbs
from fleet.care import photos, printed
from fleet.care.models import Label, LeakReport
from fleet.care.services import CareRefused
from fleet.estate.access import Need, page
from fleet.estate.models import Building
from fleet.estate.pages_address import pages_address
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.heaters.models import Heater


def _picture(request: HttpRequest, code: str) -> dict[str, str]:
    address = pages_address(request, reverse("care:scanned", args=[code]))
    return {"address": address, "picture": segno.make(address, error="m").svg_data_uri(scale=4, border=2)}


@page(Need.WORK)
@require_GET
def labels(request: HttpRequest, pk: int) -> HttpResponse:
    """A sheet to print: one label a heater of this building, with its picture code and its letters."""
    building: Building = get_object_or_404(Building.objects.select_related("property"), pk=pk)
    heaters = printed.in_service(building)
    codes = verbs.label_heaters(heaters)
    pictures = {row.pk: _picture(request, codes[row.pk].code) for row in heaters}
    rows = [{"heater": row, "code": codes[row.pk].code} | pictures[row.pk] for row in heaters]
    if request.GET.get("as") == "pdf":
        sheet = [(row, codes[row.pk].code, pictures[row.pk]["address"]) for row in heaters]
        place = f"{building.property.name}, {building.name}"
        return _file(printed.labels_pdf(place, sheet), f"labels-{pk}.pdf")
    return render(request, "care/labels.html", {"building": building, "rows": rows})


@page(Need.WORK)
@require_GET
def card(request: HttpRequest, pk: int) -> HttpResponse:
    """The shut-off card of one heater, to print and hang beside it."""
    rows = Heater.objects.select_related("position__building__property", "organisation")
    heater: Heater = get_object_or_404(rows, pk=pk)
    label = verbs.label_heaters([heater])[pk]
    picture = _picture(request, label.code)
    if request.GET.get("as") == "pdf":
        return _file(printed.card_pdf(heater, label.code, picture["address"]), f"card-{label.code}.pdf")
    return render(request, "care/card.html", _card(heater) | {"code": label.code} | picture)


def _file(content: bytes, name: str) -> HttpResponse:
    response = HttpResponse(content, content_type="application/pdf")
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


@page(Need.PUBLIC)
@require_http_methods(["GET", "HEAD", "POST"])
def scanned(request: HttpRequest, code: str) -> HttpResponse:
    """A scanned label: to the heater's care for those who may see it, else the public shut-off card."""
    own = Label.objects.filter(code=code.upper()).first()
    if own is not None and request.method != "POST":
        return redirect("care:heater", own.heater_id)
    with unscoped("a label's code opens its public card"):
        rows = Label.objects.select_related("heater__position__building__property", "heater__organisation")
        label: Label = get_object_or_404(rows, code=code.upper())
    said = ""
    if request.method == "POST":
        with scoped(scope_of_organisation(label.organisation_id, actor="someone at the label")):
            report = verbs.report_leak(label.heater, request.POST.get("words", ""), timezone.now())
            said = _photo_of(report, request)
    return render(request, "care/public_card.html", _card(label.heater) | {
        "code": label.code, "reported": request.method == "POST", "said": said,
    })  # fmt: skip


def _card(heater: Heater) -> dict[str, Any]:
    return {"heater": heater, "parts": printed.card_parts(heater)}


def _photo_of(report: LeakReport | None, request: HttpRequest) -> str:
    """A photo with the report; the report stands without it. Beyond the hour's limit no picture is read at all."""
    sent = request.FILES.get("photo")
    if report is None or sent is None:
        return ""
    try:
        verbs.add_leak_photo(report, photos.read_photo(sent))
    except CareRefused as refused:
        return str(refused)
    return ""


@page(Need.WORK)
@require_POST
def answer(request: HttpRequest, pk: int) -> HttpResponse:
    report: LeakReport = get_object_or_404(LeakReport.objects, pk=pk)
    try:
        verbs.answer_leak(report, request.POST.get("answer", ""), timezone.now())
    except CareRefused as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, "Answered.")
    return redirect("care:unsafe_list")
