"""The background jobs of importing: each a few lines that call a service."""

from __future__ import annotations

from datetime import date
from typing import Any

from fleet.estate.access import Need
from fleet.estate.background import Running, register
from fleet.heaters import services
from fleet.heaters.importing import UnansweredQuestion, UnreadableFile
from fleet.heaters.models import ImportBatch

PREVIEW = "preview_import"
ACCEPT = "take_in_import"


@register(
    PREVIEW,
    for_whom=Need.PLAN,
    name="Import: looked over",
    does="Reads a list and says what it would change, before anything is changed, for who sent it.",
)
def preview(job: Running) -> dict[str, Any]:
    batch = ImportBatch.objects.get(pk=job.payload["batch"])
    try:
        return services.preview(batch, date.fromisoformat(job.payload["as_of"]), job.report).counts
    except UnreadableFile as refusal:
        services.note_failure(batch, str(refusal))
        return {"refused": str(refusal)}


@register(
    ACCEPT,
    for_whom=Need.PLAN,
    name="Import: taken in",
    does="Writes a list that was looked over into the record.",
)
def accept(job: Running) -> dict[str, Any]:
    """Safe to run again: a file that is taken in already changes nothing."""
    batch = ImportBatch.objects.get(pk=job.payload["batch"])
    as_of = date.fromisoformat(job.payload["as_of"])
    try:
        return services.accept(batch, as_of, job.payload["all_or_nothing"], job.report).counts
    except (UnreadableFile, UnansweredQuestion, services.NothingTaken) as refusal:
        services.note_failure(batch, str(refusal))
        return {"refused": str(refusal)}
