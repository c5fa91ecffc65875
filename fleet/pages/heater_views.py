"""Heaters: the list, one heater, its record changed, its photos and papers."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_POST

from fleet.care import selectors as care
from fleet.care.shut_off import shut_off_steps
from fleet.estate.access import Need, needs_at, page
from fleet.estate.calendar import today_of
from fleet.estate.models import Position
from fleet.heaters import attachments, record_services
from fleet.heaters.models import Attachment, Heater, ServiceRecord
from fleet.pages import forecasts, heater_facts, selectors, survival, timeline
from fleet.pages.form_errors import show_refusal
from fleet.pages.forms import HeaterForm


def _heater(pk: int) -> Heater:
    rows = Heater.objects.select_related("position__building__property", "organisation")
    heater: Heater = get_object_or_404(rows, pk=pk)
    return heater


@page(Need.READ)
@require_GET
def heater(request: HttpRequest, pk: int) -> HttpResponse:
    row = _heater(pk)
    place = row.position
    today = today_of(row.organisation, place.building.property)
    line = selectors.line_of(place)
    run = forecasts.latest_run(row.organisation_id)
    outlook = forecasts.outlook_of(run, pk) if row.in_service else None
    place_on_curve = survival.of_heater(run, outlook, row.kind)
    origin, fact_groups = heater_facts.facts(row, today)
    return render(
        request,
        "pages/heater.html",
        {
            "heater": row,
            "needs": needs_at(request, place.building.property),
            "position": place,
            "today": today,
            "origin": origin,
            "fact_groups": fact_groups,
            "shut_off": shut_off_steps(row),
            "place_facts": heater_facts.place_facts(place),
            "tasks": care.tasks_of(pk).filter(state="open").order_by("due_on"),
            "unsafe": care.open_unsafe(pk),
            "services": row.services.order_by("-done_latest", "-id")[:200],
            "line": [other for other in line if other.pk != pk],
            "life": timeline.life(
                line, ServiceRecord.objects.filter(heater__position_id=place.pk), pk, today
            ),
            "outlook": outlook,
            "curve": forecasts.curve_table(outlook) if outlook else [],
            "survival": place_on_curve,
            "survival_table": survival.table(place_on_curve) if place_on_curve else [],
            "currency": forecasts.currency(run),
            "attachments": row.attachments.order_by("-id"),
            "changes": selectors.history("heater", pk)[:5],
            "right": attachments.RIGHT,
        },
    )


def _save_heater(request: HttpRequest, form: HeaterForm, verb: Any) -> Heater | None:
    """The heater as the verb left it, or None with the refusal shown on the form."""
    if not form.is_valid():
        return None
    try:
        saved: Heater = verb(form.values(), form.cleaned_data["reason"])
    except ValidationError as error:
        show_refusal(form, error)
    except record_services.ChangedMeanwhile:
        form.add_error(
            None,
            "Somebody else changed this heater after you opened it. Open it again and enter your change on top "
            "of theirs; nothing of yours was saved.",
        )
    else:
        messages.success(request, f"{saved.tag} is saved.")
        return saved
    return None


@page(Need.WORK)
def edit_heater(request: HttpRequest, pk: int) -> HttpResponse:
    row = _heater(pk)
    today = today_of(row.organisation, row.position.building.property)
    form = HeaterForm(request.POST or None, instance=row, as_of=today)

    def verb(values: dict[str, Any], reason: str) -> Heater:
        return record_services.change_heater(pk, values, form.cleaned_data["version"] or 0, reason)

    if request.method == "POST" and _save_heater(request, form, verb):
        return redirect("pages:heater", pk)
    context = {"form": form, "heading": f"Change {row}", "back": row, "back_name": "pages:heater"}
    return render(request, "pages/edit.html", context, status=400 if form.errors else 200)


@page(Need.WORK)
def put_in(request: HttpRequest, pk: int) -> HttpResponse:
    place = get_object_or_404(Position.objects.select_related("building__property", "organisation"), pk=pk)
    today = today_of(place.organisation, place.building.property)
    form = HeaterForm(request.POST or None, as_of=today)

    def verb(values: dict[str, Any], reason: str) -> Heater:
        return record_services.put_in_heater(place, values, reason)

    if request.method == "POST" and (saved := _save_heater(request, form, verb)):
        return redirect("pages:heater", saved.pk)
    context = {
        "form": form,
        "heading": f"Put a heater in at {place}",
        "back": place,
        "back_name": "pages:position",
    }
    return render(request, "pages/edit.html", context, status=400 if form.errors else 200)


@page(Need.WORK)
@require_POST
def attach_file(request: HttpRequest, pk: int) -> HttpResponse:
    row = _heater(pk)
    sent = request.FILES.get("file")
    try:
        if sent is None:
            raise attachments.RefusedFile(f"No file was chosen. Send {attachments.RIGHT}.")
        if (sent.size or 0) > attachments.MAX_BYTES:
            raise attachments.RefusedFile(f"The file is too large. Send {attachments.RIGHT}.")
        record_services.attach(row, attachments.check(sent.name or "file", sent.read()))
    except attachments.RefusedFile as error:
        messages.error(request, str(error))
    else:
        messages.success(request, "The file is kept with this heater.")
    return redirect("pages:heater", pk)


@page(Need.READ)
@require_GET
def attachment(request: HttpRequest, pk: int) -> HttpResponseBase:
    row: Attachment = get_object_or_404(Attachment.objects, pk=pk)
    try:
        content = row.file.open("rb")
    except FileNotFoundError as error:
        raise Http404 from error
    shown_as_picture = row.content_type == "image/jpeg"
    response = FileResponse(
        content, content_type=row.content_type, as_attachment=not shown_as_picture, filename=row.name
    )
    response["X-Content-Type-Options"] = "nosniff"
    response["Cache-Control"] = "private, max-age=3600"
    return response
