"""Imports, exports, background jobs, history, what has changed."""

from __future__ import annotations

import base64
import json
import tempfile
from collections.abc import Iterator
from typing import Any

from django.http import FileResponse, Http404, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.urls import path
from rest_framework import serializers

from api.care import listing, single
from api.door import ApiView
from api.feed import FeedReplaced, changes_after, settle
from api.feed_triggers import WATCHED
from api.operations import Asked, operation
from api.problems import Problem
from api.rows import Row, Rows, written
from api.work_shapes import (
    BY_KIND,
    HISTORY,
    IMPORTS,
    JOBS,
    Accepted,
    Changes,
    ColumnsGiven,
    ImportGiven,
    ImportShown,
    JobShown,
    QualityShown,
)
from fleet.estate import background
from fleet.estate.access import Need
from fleet.estate.calendar import today_of
from fleet.estate.models import Job
from fleet.estate.scope import current_scope, scoped
from fleet.heaters import import_jobs, services
from fleet.heaters.export_views import CONTENT_TYPES, IN_MEMORY_BYTES
from fleet.heaters.exporting import FORMATS, write_export
from fleet.heaters.importing import columns_of, compare
from fleet.heaters.models import ImportBatch
from fleet.heaters.quality import quick_look
from fleet.heaters.quality_jobs import DATA_QUALITY
from fleet.heaters.refused import refused_files
from fleet.heaters.workbook import MAX_BYTES, UnreadableFile

ROWS_AT_A_TIME = 2000


# --- imports


def _whole_only(view: ApiView) -> None:
    if not view.caller.sees_all_properties:
        raise Problem(
            "not-allowed", "This concerns the whole house: only who sees all its properties may ask for it."
        )


def _batch(view: ApiView, pk: int) -> ImportBatch:
    _whole_only(view)
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
        _whole_only(self)
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
        _whole_only(self)
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
            comparison = compare(
                services.kept_book(batch),
                batch.organisation_id,
                columns_of(batch),
                services.spoken_on(batch, today_of(batch.organisation)),
                batch.date_order,
            )
        except UnreadableFile as gone:
            raise Http404 from gone
        files = refused_files(comparison)
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
        out = tempfile.SpooledTemporaryFile(max_size=IN_MEMORY_BYTES)  # noqa: SIM115 (the response closes it)
        try:
            write_export(self.caller.organisation, file_format, out)
        except BaseException:
            out.close()
            raise
        out.seek(0)
        ending, content_type = CONTENT_TYPES[file_format]
        return FileResponse(out, as_attachment=True, filename=f"record.{ending}", content_type=content_type)


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


# --- jobs


def _job(pk: int) -> Job:
    found: Job | None = Job.objects.filter(pk=pk).first()
    if found is None:
        raise Http404
    return found


def _job_to_change(view: ApiView, pk: int) -> Job:
    job = _job(pk)
    if background.need_to_change(job) not in view.caller.needs:
        raise Problem(
            "not-allowed", "This kind of job is called off and set off again by who may ask for it."
        )
    return job


class CancelJobView(ApiView):
    @operation(
        Need.PLAN,
        "Call a job off: at once while it waits, at its next step while it runs.",
        gives=JobShown,
        tag="jobs",
    )
    def post(self, request: Any, pk: int) -> HttpResponse:
        background.cancel(_job_to_change(self, pk))
        return self.answer(JOBS.one(pk))


class AgainView(ApiView):
    @operation(Need.PLAN, "Try a job again that was given up or called off.", gives=JobShown, tag="jobs")
    def post(self, request: Any, pk: int) -> HttpResponse:
        background.try_again(_job_to_change(self, pk))
        return self.answer(JOBS.one(pk))


class RollForwardView(ApiView):
    @operation(
        Need.PLAN,
        "Work out anew what is due. It is done daily and after imports anyway.",
        gives=JobShown,
        status=202,
        tag="tasks",
    )
    def post(self, request: Any) -> HttpResponse:
        _whole_only(self)
        job = background.enqueue(
            "roll_forward", {}, self.caller.organisation.pk, unique_key="asked through the API"
        )
        return self.asked_for(JOBS.one(job.pk), f"/api/v1/jobs/{job.pk}")


class QualityView(ApiView):
    @operation(
        Need.READ, "What is missing from the record, at a glance.", gives=QualityShown, tag="data-quality"
    )
    def get(self, request: Any) -> HttpResponse:
        organisation = self.caller.organisation
        look = quick_look(organisation, today_of(organisation))
        done = Job.objects.filter(organisation=organisation, kind=DATA_QUALITY, state=Job.State.DONE).first()
        return self.answer({"look": look.plain(), "computed": done.result if done else None})

    @operation(
        Need.PLAN,
        "Ask which missing facts cost the most certainty.",
        gives=JobShown,
        status=202,
        tag="data-quality",
    )
    def post(self, request: Any) -> HttpResponse:
        _whole_only(self)
        organisation = self.caller.organisation
        today = today_of(organisation).isoformat()
        job = background.enqueue(DATA_QUALITY, {"as_of": today}, organisation.pk, unique_key=DATA_QUALITY)
        return self.asked_for(JOBS.one(job.pk), f"/api/v1/jobs/{job.pk}")


# --- what has changed

KINDS = tuple(watched.kind for watched in WATCHED)
FROM = Asked(
    serializers.CharField(max_length=200), "The `cursor` of the last answer; none: from the beginning."
)
ONLY = Asked(
    serializers.CharField(max_length=400), f"With commas between: {', '.join(KINDS)}; all, if not said."
)
HOW_MANY = Asked(serializers.IntegerField(min_value=1, max_value=1000), "Changes an answer, 500 if not said.")


class ChangesView(ApiView):
    @operation(
        Need.READ,
        "Rows new, changed or gone since a cursor, each once with its latest state. Keep the cursor; ask again while "
        "`more`. Nothing is skipped, whoever writes meanwhile; a row may be told twice.",
        gives=Changes, asks={"after": FROM, "kinds": ONLY, "limit": HOW_MANY}, tag="changes",
    )  # fmt: skip
    def get(self, request: Any) -> HttpResponse:
        organisation_id = self.caller.organisation.pk
        kinds = [kind for kind in self.asked.get("kinds", "").split(",") if kind]
        if unknown := sorted(set(kinds) - set(KINDS)):
            words = f"{unknown[0][:40]!r} is not one of {', '.join(KINDS)}."
            raise Problem("parameter", errors=[{"parameter": "kinds", "detail": words}])
        feed = settle(organisation_id)
        reach = self._reach()
        place = _place(self.asked.get("after"), str(feed.name), reach)
        if place > feed.last_place:
            raise FeedReplaced("This cursor is ahead of the record. Start from the beginning.")
        limit = self.asked.get("limit", 500)
        found, reached = changes_after(organisation_id, place, kinds, limit)
        more = len(found) == limit
        reached = reached if more else max(reached, feed.last_place)
        cursor = _cursor(str(feed.name), reach, reached)
        return self.answer({"items": _with_rows(found), "cursor": cursor, "more": more})

    def _reach(self) -> str:
        """What this reader sees, in short: with another reach the old cursor would leave rows out."""
        from hashlib import blake2b

        seen = sorted(
            (reach.organisation_id, sorted(reach.property_ids) if reach.property_ids is not None else "all")
            for reach in self.caller.scope.reaches
        )
        return blake2b(repr(seen).encode(), digest_size=6).hexdigest()


def _cursor(feed: str, reach: str, place: int) -> str:
    return base64.urlsafe_b64encode(json.dumps([feed, reach, place]).encode()).decode().rstrip("=")


def _place(cursor: str | None, feed: str, reach: str) -> int:
    if cursor is None:
        return 0
    try:
        name, saw, place = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
        place = int(place)
        if not 0 <= place < 2**62:
            raise ValueError
    except (ValueError, TypeError, RecursionError) as error:
        wrong = {"parameter": "after", "detail": "This is not a cursor. Take it from `cursor` as it stands."}
        raise Problem("parameter", errors=[wrong]) from error
    if name != feed:
        raise FeedReplaced("The record was set up anew since. Start from the beginning.")
    if saw != reach:
        raise FeedReplaced("What you may see has changed since. Start from the beginning.")
    return place


def _with_rows(found: list[dict[str, Any]]) -> list[Row]:
    """Each change with its row as the API writes it; the scope has the last word on what is there."""
    rows: dict[tuple[str, int], Row] = {}
    for kind in {one["kind"] for one in found}:
        of_kind = BY_KIND[kind]
        numbers = [one["row_id"] for one in found if one["kind"] == kind and not one["gone"]]
        for row in of_kind.values(of_kind.source().filter(pk__in=numbers), of_kind.columns, of_kind.computed):
            rows[kind, row["id"]] = row
    return [
        {"kind": one["kind"], "id": one["row_id"], "gone": (one["kind"], one["row_id"]) not in rows,
         "row": rows.get((one["kind"], one["row_id"]))}
        for one in found
    ]  # fmt: skip


urlpatterns = [
    path("imports", ImportsView.as_view(), name="imports"),
    path("imports/<number:pk>", ImportView.as_view(), name="imports_one"),
    path("imports/<number:pk>/accept", AcceptImportView.as_view(), name="imports_accept"),
    path("imports/<number:pk>/refused", RefusedRowsView.as_view(), name="imports_refused"),
    path("exports/record.<str:file_format>", ExportView.as_view(), name="export"),
    path("exports/<slug:kind>.ndjson", StreamView.as_view(), name="stream"),
    path("jobs", listing(JOBS, "Background work, the newest first", "jobs"), name="jobs"),
    path("jobs/<number:pk>", single(JOBS, "One job", "jobs"), name="jobs_one"),
    path("jobs/<number:pk>/cancel", CancelJobView.as_view(), name="jobs_cancel"),
    path("jobs/<number:pk>/again", AgainView.as_view(), name="jobs_again"),
    path("queue/refresh", RollForwardView.as_view(), name="queue_refresh"),
    path("data-quality", QualityView.as_view(), name="data_quality"),
    path(
        "history",
        listing(HISTORY, "Who changed what, when, from what, the newest first", "history"),
        name="history",
    ),
    path("changes", ChangesView.as_view(), name="changes"),
]
