"""The import pages: send a file, mend its columns, look at the preview, take it in, fetch what was refused."""

from __future__ import annotations

import re
from typing import cast

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST

from fleet.estate.access import MemberRequest, Need, page
from fleet.estate.calendar import today_of
from fleet.estate.models import Job
from fleet.heaters import import_jobs, services
from fleet.heaters.headings import KINDS
from fleet.heaters.import_forms import columns_from, columns_shown
from fleet.heaters.importing import columns_of
from fleet.heaters.models import ImportBatch
from fleet.heaters.workbook import MAX_BYTES, UnreadableFile

# A small file is previewed while the person waits, a large one in the background.
AT_ONCE_BYTES = 300_000


def _batch(request: HttpRequest, pk: int) -> ImportBatch:
    """The batch, for someone who may touch every property of the organisation."""
    membership = cast(MemberRequest, request).membership
    if not membership.all_properties:
        raise PermissionDenied
    batch: ImportBatch = get_object_or_404(
        ImportBatch.objects.select_related("job"), pk=pk, organisation=membership.organisation
    )
    return batch


@page(Need.PLAN)
def import_start(request: HttpRequest) -> HttpResponse:
    membership = cast(MemberRequest, request).membership
    if not membership.all_properties:
        raise PermissionDenied
    failure = ""
    if request.method == "POST":
        upload = request.FILES.get("file")
        if upload is None:
            failure = "Choose a file first: a CSV, XLSX or ODS."
        elif (upload.size or 0) > MAX_BYTES:
            failure = f"The file is larger than {MAX_BYTES // 2**20} MB. Send it in parts."
        else:
            try:
                batch = services.keep_file(upload.read(), upload.name or "", membership.organisation_id)
                return redirect("heaters:import_columns", batch.pk)
            except UnreadableFile as refusal:
                failure = str(refusal)
    batches = ImportBatch.objects.filter(organisation=membership.organisation)[:20]
    context = {"failure": failure, "batches": batches, "most_mb": MAX_BYTES // 2**20}
    return render(request, "heaters/import_start.html", context, status=400 if failure else 200)


@page(Need.PLAN)
def import_columns(request: HttpRequest, pk: int) -> HttpResponse:
    batch = _batch(request, pk)
    if request.method == "POST":
        as_of = today_of(batch.organisation)
        columns = columns_from(batch, request.POST)
        guessed_afresh = any(
            columns[sheet][""] not in ("", matches[""]) for sheet, matches in columns_of(batch).items()
        )
        services.mend_columns(batch, columns, request.POST.get("date_order", batch.date_order))
        if guessed_afresh:
            messages.info(request, "Its columns were guessed anew: look at them once more.")
            return redirect("heaters:import_columns", batch.pk)
        if batch.size_bytes > AT_ONCE_BYTES:
            services.ask_for(batch, import_jobs.PREVIEW, as_of)
        else:
            try:
                services.preview(batch, as_of)
            except UnreadableFile as refusal:
                messages.error(request, str(refusal))
                return redirect("heaters:import_columns", batch.pk)
        return redirect("heaters:import_batch", batch.pk)
    context = {"batch": batch, "sheets": columns_shown(batch), "kinds": KINDS}
    return render(request, "heaters/import_columns.html", context)


@page(Need.PLAN)
def import_batch(request: HttpRequest, pk: int) -> HttpResponse:
    """One address for the whole way of a file: at work, previewed, taken in or failed."""
    batch = _batch(request, pk)
    if batch.state == ImportBatch.State.UPLOADED and batch.job is None:
        return redirect("heaters:import_columns", batch.pk)
    job = batch.job
    context = {
        "batch": batch,
        "preview": batch.preview,
        "job": job,
        "at_work": job is not None and job.is_open,
        "given_up": job is not None and job.state in (Job.State.GIVEN_UP, Job.State.CANCELLED),
        "refused_sheets": [
            (number, sheet["sheet"], sheet["refused"])
            for number, sheet in enumerate(batch.preview.get("sheets", []))
            if sheet["refused"]
        ],
    }
    return render(request, "heaters/import_batch.html", context)


@page(Need.PLAN)
@require_POST
def import_accept(request: HttpRequest, pk: int) -> HttpResponse:
    batch = _batch(request, pk)
    if batch.state == ImportBatch.State.PREVIEWED:
        services.ask_for(
            batch,
            import_jobs.ACCEPT,
            today_of(batch.organisation),
            request.POST.get("take") == "all_or_nothing",
        )
    return redirect("heaters:import_batch", batch.pk)


@page(Need.PLAN)
def import_refused(request: HttpRequest, pk: int, sheet: int) -> HttpResponse:
    """The refused rows of one sheet, in its own columns, with the reason."""
    batch = _batch(request, pk)
    names = [one["sheet"] for one in batch.preview.get("sheets", [])]
    if sheet >= len(names):
        raise Http404
    try:
        files = services.refused_sheets(batch)
    except UnreadableFile as gone:
        raise Http404 from gone
    text = files.get(names[sheet], "")
    answer = HttpResponse("\ufeff" + text, content_type="text/csv; charset=utf-8")
    name = re.sub(r"[^\w-]+", "-", names[sheet]).strip("-") or "sheet"
    answer["Content-Disposition"] = f'attachment; filename="refused-{name}.csv"'
    return answer
