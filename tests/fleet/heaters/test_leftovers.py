"""Files that no row names go after a day; named ones, young ones and another house's stay."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import time_machine

from fleet.estate import background
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.heaters import record_services
from fleet.heaters.attachments import CheckedFile
from fleet.heaters.models import Attachment, ImportBatch
from tests.conftest import Cast


def clean(cast: Cast, days_later: float) -> dict[str, Any]:
    with time_machine.travel(datetime.now(UTC) + timedelta(days=days_later)):
        with scoped(scope_of_organisation(cast.house)):
            job = background.enqueue("photo clean-up", {}, cast.house.pk)
        background.work_off()
    with unscoped("looking at a job"):
        job.refresh_from_db()
    assert job.state == "done", job.error
    return dict(job.result)


def test_a_file_whose_row_was_never_kept_goes_after_a_day(cast: Cast, settings: Any, tmp_path: Path) -> None:
    settings.MEDIA_ROOT = tmp_path
    with scoped(scope_of_organisation(cast.house)):
        kept = record_services.attach(cast.heater, CheckedFile("a.jpg", "image/jpeg", b"kept"))
        lost = record_services.attach(cast.heater, CheckedFile("b.jpg", "image/jpeg", b"lost"))
        Attachment.objects.filter(pk=lost.pk).delete()
        named = tmp_path / "imports" / str(cast.house.pk) / "7"
        ImportBatch.objects.create(organisation=cast.house, size_bytes=1, stored=f"imports/{cast.house.pk}/7")
    others = tmp_path / str(cast.other_house.pk) / "ab" / "abc"
    for file in (named, named.with_name("8"), others):
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(b"x")
    assert clean(cast, 0.5) == {"removed": 0}
    assert clean(cast, 1.5) == {"removed": 2}
    left = {path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*") if path.is_file()}
    assert left == {kept.file.name, f"imports/{cast.house.pk}/7", f"{cast.other_house.pk}/ab/abc"}
    assert clean(cast, 1.5) == {"removed": 0}


def test_without_any_file_there_is_nothing_to_do(cast: Cast, settings: Any, tmp_path: Path) -> None:
    settings.MEDIA_ROOT = tmp_path / "none"
    assert clean(cast, 2) == {"removed": 0}
