"""The export page and its file."""

from __future__ import annotations

import tempfile
from typing import cast

from django.http import FileResponse, Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.utils import timezone

from fleet.estate.access import MemberRequest, Need, page
from fleet.heaters.exporting import FORMATS, TABLES, write_export

IN_MEMORY_BYTES = 2_000_000
CONTENT_TYPES = {
    "csv": ("zip", "application/zip"),
    "xlsx": ("xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
    "json": ("json", "application/json"),
}


@page(Need.READ)
def export(request: HttpRequest) -> HttpResponse:
    return render(request, "heaters/export.html", {"formats": FORMATS, "tables": TABLES})


@page(Need.READ)
def export_file(request: HttpRequest, file_format: str) -> HttpResponseBase:
    """The file, written beside the request and sent from disk: the rows are read inside the person's scope."""
    if file_format not in FORMATS:
        raise Http404
    organisation = cast(MemberRequest, request).organisation
    out = tempfile.SpooledTemporaryFile(max_size=IN_MEMORY_BYTES)  # noqa: SIM115 (the response closes it)
    try:
        write_export(organisation, file_format, out)
    except BaseException:
        out.close()
        raise
    out.seek(0)
    ending, content_type = CONTENT_TYPES[file_format]
    name = f"record-{timezone.now():%Y-%m-%d}.{ending}"
    return FileResponse(out, as_attachment=True, filename=name, content_type=content_type)
