"""A photo from a phone's queue: kept once, like every other entry; one that cannot be used is refused in words."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from django.core.files.uploadedfile import UploadedFile

from fleet.care import photos
from fleet.care.models import SentEntry
from fleet.care.phone import Outcome, Result, answer_of, finish, key_of, new_row, once
from fleet.care.phone_reading import Entry, Unreadable, read_entry
from fleet.care.reading import CareRefused


def take(
    organisation_id: int,
    raw: Any,
    sent: UploadedFile | None,
    device_now: datetime | None,
    received_at: datetime,
) -> dict[str, Any]:
    offset = received_at - device_now if device_now else timedelta(0)
    try:
        entry = read_entry(raw)
        if entry.kind != SentEntry.Kind.PHOTO:
            raise Unreadable("kind: right would be photo.")
        row = once(entry, lambda: _apply(organisation_id, entry, raw, sent, received_at, offset))
    except Unreadable as error:
        return {"key": key_of(raw), "result": Result.REFUSED, "words": str(error), "both": []}
    return answer_of(row)


def _apply(
    organisation_id: int,
    entry: Entry,
    raw: dict[str, Any],
    sent: UploadedFile | None,
    received_at: datetime,
    offset: timedelta,
) -> SentEntry:
    row = new_row(organisation_id, entry, raw, received_at, offset)
    try:
        if row.task is None:
            raise CareRefused("The task of this photo is not on record here.")
        photos.keep_photo(row.task, photos.read_photo(sent), entry.words, row.worked_at)
    except CareRefused as refused:
        return finish(row, Outcome(Result.REFUSED, str(refused)))
    return finish(row, Outcome(words="The photo is kept."))
