"""What this room keeps for a time: the files that were imported. What was taken from them is the record and stays."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from django.conf import settings

from fleet.estate.retention import keeps
from fleet.heaters.models import ImportBatch


@keeps("import_files", "Files that were imported", days=400, least_days=7)
def forget_import_files(organisation_id: int, before: datetime) -> int:
    """Delete the stored file, the preview and the examples, which repeat it; the line that there was an import stays."""
    count = 0
    old = ImportBatch.objects.filter(organisation_id=organisation_id, created_at__lt=before).exclude(
        stored=""
    )
    for batch in old.iterator():
        stored = batch.stored
        batch.stored, batch.preview = "", {}
        batch.columns.pop("examples", None)
        batch.save(update_fields=["stored", "preview", "columns"])
        if not ImportBatch.objects.filter(stored=stored).exists():
            (Path(settings.MEDIA_ROOT) / stored).unlink(missing_ok=True)
        count += 1
    return count
