"""Imports and exports of the record."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from typing import Any

from django.http import FileResponse, Http404, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.urls import path
from django.utils import timezone
from rest_framework import serializers

from api.door import ApiView
from api.estate import BUILDINGS
from api.operations import Asked, operation
from api.problems import Problem
from api.rows import Row, Rows, written
from api.usual import XLSX, File, as_file, file_of, member_of, whole_only
from api.work_shapes import (
    BY_KIND,
    IMPORTS,
    JOBS,
    Accepted,
    ColumnsGiven,
    ImportGiven,
    ImportShown,
    JobShown,
)
from fleet.estate.access import Need
from fleet.estate.calendar import today_of
from fleet.estate.models import Building
from fleet.estate.scope import current_scope, scoped, unscoped
from fleet.heaters import import_jobs, made_exports, open_formats, services
from fleet.heaters.cobie import write_cobie
from fleet.heaters.exporting import CONTENT_TYPES, FORMATS, export_at_hand
from fleet.heaters.importing import columns_of
from fleet.heaters.models import ImportBatch
from fleet.heaters.workbook import MAX_BYTES, UnreadableFile

ROWS_AT_A_TIME = 2000


class DataPackage(serializers.Serializer):
    """Open specification: Data Package, Table Schema."""

    name = serializers.CharField()
    profile = serializers.CharField()
    resources = serializers.JSONField()


def _batch(view: ApiView, pk: int) -> ImportBatch:
    whole_only(view)
    found: ImportBatch | None = ImportBatch.objects.select_related("organisation").filter(pk=pk).first()
    if found is None:
        raise Http404
    return found


def _at_work(view: ApiView, batch: ImportBatch) -> HttpResponse:
    return view.asked_for(IMPORTS.one(batch.pk), f"/api/v1/imports/{batch.pk}")


class ImportsView(ApiView):
    @operation(Need.PLAN, "Imports, the newest first.", lists=IMPORTS, tag="imports")
    def get(self, request: Any) -> HttpResponse:
        return self.page(IMPORTS)

    @operation(
        Need.PLAN, "Send a CSV, XLSX or ODS; it is held against the record and nothing is changed yet.",
        takes=ImportGiven, gives=ImportShown, status=202, form=True, tag="imports",
    )  # fmt: skip
    def post(self, request: Any) -> HttpResponse:
        whole_only(self)
        sent = self.given["file"]
        if (sent.size or 0) > MAX_BYTES:
            raise Problem("too-large", f"Send at most {MAX_BYTES // 2**20} MB; send a larger file in parts.")
        organisation = self.caller.organisation
        batch = services.keep_file(
            sent.read(), sent.name or "", organisation.pk, self.given.get("encoding", "")
        )
        services.mend_columns(batch, columns_of(batch), self.given.get("date_order", ""))
        services.ask_for(batch, import_jobs.PREVIEW, today_of(organisation))
        return _at_work(self, batch)


class ImportView(ApiView):
    @operation(
        Need.PLAN, "One import: its columns, its preview, what came of it.", gives=ImportShown, tag="imports"
    )
    def get(self, request: Any, pk: int) -> HttpResponse:
        whole_only(self)
        return self.answer(IMPORTS.one(pk))

    @operation(
        Need.PLAN, "Say what its columns are, or which of day and month comes first; it is previewed anew.",
        takes=ColumnsGiven, gives=ImportShown, status=202, tag="imports",
    )  # fmt: skip
    def patch(self, request: Any, pk: int) -> HttpResponse:
        batch = _batch(self, pk)
        _still_open(batch)
        columns = columns_of(batch)
        for sheet in self.given.get("columns", []):
            if sheet["sheet"] not in columns:
                known = ", ".join(columns)
                raise Problem(
                    "refused", errors=[{"pointer": "/columns", "detail": f"Its sheets are: {known}."}]
                )
            columns[sheet["sheet"]] |= {"": sheet["kind"]} if "kind" in sheet else {}
            columns[sheet["sheet"]] |= sheet.get("headings", {})
        services.mend_columns(batch, columns, self.given.get("date_order", batch.date_order))
        services.ask_for(batch, import_jobs.PREVIEW, today_of(batch.organisation))
        return _at_work(self, batch)


def _still_open(batch: ImportBatch) -> None:
    if batch.state == ImportBatch.State.TAKEN:
        raise Problem("not-now", "This file was taken in already. Send it again to import it anew.")


class AcceptImportView(ApiView):
    @operation(
        Need.PLAN,
        "Take the good rows in, or all or none.",
        takes=Accepted,
        gives=ImportShown,
        status=202,
        tag="imports",
    )
    def post(self, request: Any, pk: int) -> HttpResponse:
        batch = _batch(self, pk)
        _still_open(batch)
        if batch.state != ImportBatch.State.PREVIEWED:
            raise Problem("not-now", f"It is {batch.get_state_display()}: wait for its preview.")
        whole = self.given.get("all_or_nothing", False)
        services.ask_for(batch, import_jobs.ACCEPT, today_of(batch.organisation), whole)
        return _at_work(self, batch)


SHEET = Asked(
    serializers.CharField(max_length=200), "Name of the sheet; the first with refused rows, if not said."
)


class RefusedRowsView(ApiView):
    @operation(
        Need.PLAN, "The refused rows in the file's own columns, with the reason, to mend and send again.",
        file="text/csv", asks={"sheet": SHEET}, tag="imports",
    )  # fmt: skip
    def get(self, request: Any, pk: int) -> HttpResponse:
        batch = _batch(self, pk)
        try:
            files = services.refused_sheets(batch)
        except UnreadableFile as gone:
            raise Http404 from gone
        sheet = self.asked.get("sheet") or next(iter(files), None)
        if sheet not in files:
            raise Http404
        return HttpResponse("\ufeff" + files[sheet], content_type="text/csv; charset=utf-8")


# --- exports


class ExportView(ApiView):
    @operation(
        Need.READ, "The whole record in sight, as csv (zipped), xlsx or json.", file="application/octet-stream",
        tag="exports",
    )  # fmt: skip
    def get(self, request: Any, file_format: str) -> HttpResponseBase:
        if file_format not in FORMATS:
            raise Http404
        out = export_at_hand(self.caller.organisation, file_format)
        ending, content_type = CONTENT_TYPES[file_format]
        return FileResponse(out, as_attachment=True, filename=f"record.{ending}", content_type=content_type)


class ExportAsked(serializers.Serializer):
    format = serializers.ChoiceField(choices=FORMATS)


class ExportsView(ApiView):
    @operation(
        Need.READ, "Have the whole record in sight written to a file, however large; its job says when it is ready.",
        takes=ExportAsked, gives=JobShown, status=202, tag="exports",
    )  # fmt: skip
    def post(self, request: Any) -> HttpResponse:
        member_of(self)
        job = made_exports.ask_for_export(self.caller.organisation, self.given["format"])
        with unscoped("the job just asked for, also where only some properties are in sight"):
            row = JOBS.one(job.pk)
        return self.asked_for(row, f"/api/v1/exports/{job.pk}/file")


class MadeExportView(ApiView):
    @operation(
        Need.READ, "The file of an export that you asked for, once its job is done.", file="application/octet-stream",
        tag="exports",
    )  # fmt: skip
    def get(self, request: Any, pk: int) -> HttpResponseBase:
        made = made_exports.exports_of(self.caller.organisation, member_of(self).person_id)
        found = made_exports.file_among(made, pk)
        if found is None:
            raise Http404
        place, _ = found
        return FileResponse(place.open("rb"), as_attachment=True, filename=place.name)


class StreamView(ApiView):
    @operation(
        Need.READ, "Every row of one kind, one JSON object a line, as they are read.", file="application/x-ndjson",
        tag="exports",
    )  # fmt: skip
    def get(self, request: Any, kind: str) -> HttpResponseBase:
        rows = BY_KIND.get(kind.replace("-", "_"))
        if rows is None:
            raise Http404
        return StreamingHttpResponse(_lines(rows), content_type="application/x-ndjson")


def _lines(rows: Rows) -> Iterator[bytes]:
    """The scope is entered for each chunk: between two of them the server does other people's work."""
    scope = current_scope()
    first = _chunk(rows, 0)

    def stream() -> Iterator[bytes]:
        chunk = first
        while chunk:
            yield b"".join(written(row) + b"\n" for row in chunk)
            with scoped(scope):
                chunk = _chunk(rows, chunk[-1]["id"])

    return stream()


def _chunk(rows: Rows, after: int) -> list[Row]:
    found = rows.source().filter(pk__gt=after).order_by("pk")[:ROWS_AT_A_TIME]
    return rows.values(found, rows.columns, rows.computed)


class GeoJsonView(ApiView):
    @operation(Need.READ, "Properties as GeoJSON.", file="application/geo+json", tag="exports")
    def get(self, request: Any) -> HttpResponse:
        content = json.dumps(open_formats.properties_as_geojson(self.caller.organisation), default=str)
        return as_file(content, "properties.geojson", "application/geo+json")


class DictionaryView(ApiView):
    @operation(
        Need.READ,
        "The columns of the CSV files, as a Frictionless data package.",
        gives=DataPackage,
        tag="exports",
    )
    def get(self, request: Any) -> HttpResponse:
        return self.answer(open_formats.data_package())


def _cobie(view: ApiView, building: Building) -> tuple[bytes, str]:
    out = io.BytesIO()
    member = view.caller.membership
    write_cobie(building, member.person.email if member else "", timezone.now(), out)
    return out.getvalue(), f"cobie-{building.pk}.xlsx"


urlpatterns = [
    path("imports", ImportsView.as_view(), name="imports"),
    path("imports/<number:pk>", ImportView.as_view(), name="imports_one"),
    path("imports/<number:pk>/accept", AcceptImportView.as_view(), name="imports_accept"),
    path("imports/<number:pk>/refused", RefusedRowsView.as_view(), name="imports_refused"),
    path("exports", ExportsView.as_view(), name="exports"),
    path("exports/<number:pk>/file", MadeExportView.as_view(), name="exports_file"),
    path("exports/record.<str:file_format>", ExportView.as_view(), name="export"),
    path("exports/properties.geojson", GeoJsonView.as_view(), name="geojson"),
    path("exports/data-package", DictionaryView.as_view(), name="data_package"),
    path(
        "buildings/<number:pk>/cobie.xlsx",
        file_of(BUILDINGS, "exports", File(Need.READ, "A building as COBie sheets.", XLSX, _cobie)),
        name="cobie",
    ),
    path("exports/<slug:kind>.ndjson", StreamView.as_view(), name="stream"),
]
