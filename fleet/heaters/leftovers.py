"""Photos and other files that no row names: a file is written before its row, so a lost worker can leave one behind.

Also what stayed when a heater, and its attachments with it, was removed as entered by mistake, and exports after a week.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

from django.core.files.storage import default_storage
from django.utils import timezone

from fleet.estate.acting import Acting
from fleet.estate.background import Running, register
from fleet.heaters import made_exports
from fleet.heaters.models import Attachment, ImportBatch

LEFT_FOR = timedelta(days=1)  # far longer than any transaction that may still write the row


@register(
    "photo clean-up",
    for_whom=Acting.ORGANISATION,
    every="day",
    limit_minutes=20,
    name="Leftover files removed",
    does="Removes photos and sent files that belong to nothing on record, and old export files.",
)
def clean_up(job: Running) -> dict[str, Any]:
    """In the scope of one organisation; run twice it finds nothing the second time."""
    number, removed = job.row.organisation_id, 0
    shards = _listed(str(number))[0]
    for place, shard in enumerate(sorted(shards)):
        removed += _remove_unnamed(f"{number}/{shard}", Attachment, "file")
        job.report((place + 1) / (len(shards) + 1), f"{removed} files removed")
    removed += _remove_unnamed(f"imports/{number}", ImportBatch, "stored")
    return {"removed": removed + made_exports.let_go_of_old(number)}


def _remove_unnamed(folder: str, model: Any, field: str) -> int:
    named = set(model.objects.filter(**{f"{field}__startswith": f"{folder}/"}).values_list(field, flat=True))
    unnamed = [name for name in _old_files(folder) if name not in named]
    for name in unnamed:
        default_storage.delete(name)
    return len(unnamed)


def _old_files(folder: str) -> Iterator[str]:
    before = timezone.now() - LEFT_FOR
    for file in _listed(folder)[1]:
        name = f"{folder}/{file}"
        # When it came here, not when it was first written: a restored back-up keeps its files.
        if default_storage.get_created_time(name) < before:
            yield name


def _listed(folder: str) -> tuple[list[str], list[str]]:
    try:
        folders, files = default_storage.listdir(folder)
    except FileNotFoundError:
        return [], []
    return folders, files
