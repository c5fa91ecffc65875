"""Exports of a large record: made in the background, given to whoever asked for them, gone after a week.

A page waits a minute at most. The files lie beside the other files and not among them: a back-up leaves them out, since
they can be made again from what it holds.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta
from pathlib import Path
from typing import Any

from django.conf import settings
from django.utils import timezone

from fleet.estate.access import Need, scope_of
from fleet.estate.background import Job, Running, enqueue, register
from fleet.estate.models import Membership, Organisation
from fleet.estate.scope import current_scope, scoped, unscoped
from fleet.heaters.exporting import CONTENT_TYPES, FORMATS, export_records
from fleet.heaters.models import Heater

EXPORT = "export the record"
LARGE_HEATERS = 20_000  # the spreadsheet of so many takes some ten seconds
KEPT_DAYS = 7
SHOWN = 5


def is_large() -> bool:
    """Whether what is in sight is too much for a page to wait for; counts no further than it must."""
    return Heater.objects.order_by()[: LARGE_HEATERS + 1].count() > LARGE_HEATERS


def ask_for_export(organisation: Organisation, file_format: str) -> Job:
    """Have the record in sight written to a file; while one of the same kind is under way, that one."""
    if file_format not in FORMATS:
        raise ValueError(f"{file_format!r} is not a format of the export. Use one of: {', '.join(FORMATS)}.")
    person = current_scope().person_id
    return enqueue(EXPORT, {"format": file_format}, organisation.pk, unique_key=f"{person} {file_format}")


def exports_of(organisation: Organisation, person_id: int | None) -> list[Job]:
    """A person's own exports of the last days, the newest first; also where she sees only some properties."""
    since = timezone.now() - timedelta(days=KEPT_DAYS)
    with unscoped("a person's own exports"):
        rows = Job.objects.filter(organisation=organisation, kind=EXPORT, created_at__gt=since)
        return list(rows.filter(asked_by_id=person_id).exclude(asked_by=None).order_by("-id")[:SHOWN])


def file_of(job: Job) -> Path | None:
    """Where a finished export lies; None while it is not finished, or gone."""
    place = _place(job)
    return place if job.state == Job.State.DONE and place.exists() else None


def file_among(jobs: Iterable[Job], pk: int) -> tuple[Path, str] | None:
    """The file of the one with this number, and its content type."""
    for job in jobs:
        if job.pk == pk and (place := file_of(job)) is not None:
            return place, CONTENT_TYPES[job.payload["format"]][1]
    return None


def _place(job: Job) -> Path:
    ending, _ = CONTENT_TYPES[job.payload["format"]]
    return _folder(job.organisation_id) / f"record-{job.created_at:%Y-%m-%d}-{job.pk}.{ending}"


def _folder(organisation_id: int) -> Path:
    return Path(settings.DATA) / "exports" / str(organisation_id)


@register(
    EXPORT,
    for_whom=Need.READ,
    name="File of the record",
    does="Writes the record into a file, for the person who asked for it.",
)
def make_export(job: Running) -> dict[str, Any]:
    """Within what the person who asked may see now, not within all that the organisation holds."""
    row = job.row
    membership = Membership.objects.select_related("organisation", "person").get(
        organisation_id=row.organisation_id, person_id=row.asked_by_id or 0
    )
    place = _place(row)
    place.parent.mkdir(parents=True, exist_ok=True)
    with scoped(scope_of(membership)):
        return {"rows": export_records(membership.organisation, row.payload["format"], place)}


def let_go_of_old(organisation_id: int) -> int:
    """Remove the files of exports after their week; says how many."""
    before = (timezone.now() - timedelta(days=KEPT_DAYS)).timestamp()
    old = [file for file in _folder(organisation_id).glob("*") if file.stat().st_mtime < before]
    for file in old:
        file.unlink(missing_ok=True)
    return len(old)
