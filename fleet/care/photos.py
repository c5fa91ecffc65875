"""Photos of the work: judged by content, drawn anew without their place, bounded in size, kept with the heater."""

from __future__ import annotations

import io
from datetime import datetime

from django.core.files.uploadedfile import UploadedFile
from django.db import transaction

from fleet.care.models import Task, TaskPhoto
from fleet.care.reading import CareRefused
from fleet.heaters import attachments, record_services
from fleet.heaters.models import Attachment

RIGHT = f"a photo (JPEG, PNG or WebP) of at most {attachments.MAX_BYTES // 2**20} MB"
SMALL_SIDE_PX = 320
PHOTOS_A_TASK = 20


def read_photo(sent: UploadedFile | None) -> attachments.CheckedFile:
    """The photo as it will be kept, or CareRefused in words. A large file is refused before it is read."""
    if sent is None or not sent.size:
        raise CareRefused(f"No photo came. Send {RIGHT}; everything else is kept.")
    if sent.size > attachments.MAX_BYTES:
        raise CareRefused(f"The photo has {sent.size / 2**20:.0f} MB. Send {RIGHT}; everything else is kept.")
    try:
        checked = attachments.check(sent.name or "photo", sent.read())
    except attachments.RefusedFile as error:
        raise CareRefused(f"{error} Everything else is kept.") from error
    if checked.content_type == attachments.PDF:
        raise CareRefused(f"This is a PDF. Send {RIGHT}; everything else is kept.")
    return checked


@transaction.atomic
def keep_photo(task: Task, checked: attachments.CheckedFile, shows: str, at: datetime) -> TaskPhoto:
    """Keep a photo with a task and its heater, also after the task was closed. The same photo twice is kept once."""
    if TaskPhoto.objects.filter(task=task).count() >= PHOTOS_A_TASK:
        raise CareRefused(f"{PHOTOS_A_TASK} photos are kept with this task already; that is the most.")
    attachment = record_services.attach(task.heater, checked)
    photo: TaskPhoto
    photo, _ = TaskPhoto.objects.get_or_create(
        organisation_id=task.organisation_id,
        task=task,
        attachment=attachment,
        defaults={"shows": shows.strip()[:200], "taken_at": at},
    )
    return photo


def small(attachment: Attachment) -> bytes:
    """A small copy for lists and phones."""
    from PIL import Image

    with attachment.file.open("rb") as kept, Image.open(kept, formats=["JPEG"]) as picture:
        picture.draft("RGB", (SMALL_SIDE_PX, SMALL_SIDE_PX))
        picture.thumbnail((SMALL_SIDE_PX, SMALL_SIDE_PX))
        out = io.BytesIO()
        picture.convert("RGB").save(out, "JPEG", quality=75, optimize=True)
        return out.getvalue()
