"""The export page and its file."""

from __future__ import annotations

import tempfile
from typing import cast

from django.http import FileResponse, Http404, HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fleet.estate.access import MemberRequest, Need, page
from fleet.estate.models import Building, Job
from fleet.estate.row_numbers import row_number
from fleet.heaters import made_exports
from fleet.heaters.cobie import write_cobie
from fleet.heaters.exporting import CONTENT_TYPES, FORMATS, IN_MEMORY_BYTES, TABLES, export_at_hand
from fleet.heaters.open_formats import data_package, properties_as_geojson

MOST_BUILDINGS = 300  # to choose from; beyond it each building's own page leads to its file


@page(Need.READ)
def export(request: HttpRequest) -> HttpResponse:
    buildings = Building.objects.select_related("property").order_by("property__name", "name")[
        : MOST_BUILDINGS + 1
    ]
    made = _made(request)
    many = len(buildings) > MOST_BUILDINGS
    context = {
        "formats": FORMATS,
        "tables": TABLES,
        "buildings": [] if many else buildings,
        "many": many,
        "large": made_exports.is_large(),
        "made": [{"job": job, "ready": made_exports.file_of(job) is not None} for job in made],
        "under_way": next((job for job in made if job.is_open), None),
        "kept_days": made_exports.KEPT_DAYS,
    }
    return render(request, "heaters/export.html", context)


def _made(request: HttpRequest) -> list[Job]:
    member = cast(MemberRequest, request)
    return made_exports.exports_of(member.organisation, member.user.pk)


@page(Need.READ)
@require_POST
def have_made(request: HttpRequest) -> HttpResponse:
    file_format = request.POST.get("format", "")
    if file_format not in FORMATS:
        raise Http404
    made_exports.ask_for_export(cast(MemberRequest, request).organisation, file_format)
    return redirect("heaters_export:export")


@page(Need.READ)
@require_GET
def made_file(request: HttpRequest, pk: int) -> HttpResponseBase:
    """A file that this person had made; another's does not exist for her."""
    found = made_exports.file_among(_made(request), pk)
    if found is None:
        raise Http404
    place, content_type = found
    return FileResponse(place.open("rb"), as_attachment=True, filename=place.name, content_type=content_type)


@page(Need.READ)
def export_file(request: HttpRequest, file_format: str) -> HttpResponseBase:
    """The file, written beside the request and sent from disk: the rows are read inside the person's scope."""
    if file_format not in FORMATS:
        raise Http404
    organisation = cast(MemberRequest, request).organisation
    out = export_at_hand(organisation, file_format)
    ending, content_type = CONTENT_TYPES[file_format]
    name = f"record-{timezone.now():%Y-%m-%d}.{ending}"
    return FileResponse(out, as_attachment=True, filename=name, content_type=content_type)


def _as_file(response: HttpResponse, name: str) -> HttpResponse:
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


@page(Need.READ)
@require_GET
def properties_geojson(request: HttpRequest) -> HttpResponse:
    organisation = cast(MemberRequest, request).organisation
    answer = JsonResponse(properties_as_geojson(organisation), content_type="application/geo+json")
    return _as_file(answer, "properties.geojson")


@page(Need.READ)
@require_GET
def data_dictionary(request: HttpRequest) -> HttpResponse:
    return _as_file(JsonResponse(data_package(), json_dumps_params={"indent": 2}), "datapackage.json")


@page(Need.READ)
@require_GET
def building_cobie(request: HttpRequest) -> HttpResponseBase:
    asked = request.GET.get("building", "")
    building = get_object_or_404(
        Building.objects.select_related("property", "organisation"), pk=row_number(asked)
    )
    out = tempfile.SpooledTemporaryFile(max_size=IN_MEMORY_BYTES)  # noqa: SIM115 (the response closes it)
    write_cobie(building, cast(MemberRequest, request).user.email, timezone.now(), out)  # type: ignore[arg-type]
    out.seek(0)
    return FileResponse(
        out, as_attachment=True, filename=f"cobie-{building.pk}.xlsx", content_type=CONTENT_TYPES["xlsx"][1]
    )
