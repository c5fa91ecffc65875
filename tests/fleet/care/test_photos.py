"""Photos: judged by content, drawn anew without their place, bounded, once, seen by their own people only."""

from __future__ import annotations

import io
import json
import uuid
from datetime import UTC, date, datetime
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image

from fleet.care import photos, services
from fleet.care.models import SentEntry, Task, TaskPhoto
from fleet.care.reading import CareRefused
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.heaters import attachments
from fleet.heaters.models import Attachment
from tests.conftest import Cast, make_heater

NOON = datetime(2026, 6, 1, 18, tzinfo=UTC)
FLUSH = {"drained_gal": "12", "colour": "cloudy", "drain_valve": "closes tight", "tank_body": "dry"}


def picture(kind: str = "JPEG", place: bool = True) -> bytes:
    out = io.BytesIO()
    exif = Image.Exif()
    if place:
        exif[0x8825] = {1: "N", 2: (39.0, 44.0, 21.0)}  # the place that a phone writes into its photos
        exif[0x010F] = "a maker"
    Image.new("RGB", (640, 480), "brown").save(out, kind, exif=exif)
    return out.getvalue()


@pytest.fixture
def task(cast: Cast, time_machine: Any, settings: Any, tmp_path: Any) -> Task:
    settings.MEDIA_ROOT = tmp_path
    time_machine.move_to(NOON, tick=False)
    with scoped(scope_of_organisation(cast.house)):
        made = date(2024, 1, 10)
        heater = make_heater(cast.house, tag="Y-1", installed_earliest=made, installed_latest=made)
        services.roll_forward(cast.house)
        found: Task = Task.objects.get(heater=heater, kind="flush")
    return found


def upload(content: bytes, name: str = "photo.jpg") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, content, content_type="image/jpeg")


def kept() -> list[Any]:
    with unscoped("reading the photos"):
        return list(TaskPhoto.objects.select_related("attachment"))


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_photo_loses_its_place(cast: Cast, task: Task, kind: str) -> None:
    assert Image.open(io.BytesIO(picture(kind))).getexif().get_ifd(0x8825)
    client = cast.client(cast.technician)
    client.post(f"/work/tasks/{task.pk}/", FLUSH | {"photo": upload(picture(kind))})
    row = kept()[0].attachment
    with row.file.open() as stored, Image.open(stored) as seen:
        assert seen.format == "JPEG" and dict(seen.getexif()) == {} and "exif" not in seen.info


def test_a_photo_too_large_is_refused_plainly_and_the_rest_is_kept(
    cast: Cast, task: Task, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(attachments, "MAX_BYTES", 2000)
    reply = cast.client(cast.technician).post(
        f"/work/tasks/{task.pk}/", FLUSH | {"photo": upload(picture() + b"\0" * 3000)}, follow=True
    )
    text = reply.content.decode()
    assert "done and kept" in text and "everything else is kept" in text
    assert kept() == []


@pytest.mark.parametrize(
    "content", [b"<svg onload=alert(1)>", b"GIF89a" + b"\0" * 40, b"%PDF-1.7 x", b"", picture()[:400]]
)
def test_what_is_no_photo_is_refused_in_words(task: Task, content: bytes) -> None:
    with pytest.raises(CareRefused, match="verything else is kept"):
        photos.read_photo(upload(content))


def test_eighty_megabytes_are_refused_before_they_are_read() -> None:
    class Large(SimpleUploadedFile):
        def read(self, *_: Any) -> bytes:
            raise AssertionError("read")

    large = Large("photo.jpg", b"")
    large.size = 80 * 2**20
    with pytest.raises(CareRefused, match=r"80 MB.*at most 15 MB"):
        photos.read_photo(large)


def test_a_photo_of_a_phone_s_queue_is_kept_once(cast: Cast, task: Task) -> None:
    client = cast.client(cast.technician)
    entry = {"key": str(uuid.uuid4()), "kind": "photo", "task": task.pk, "claimed_at": NOON.isoformat()}

    def send(content: bytes, row: dict[str, Any]) -> Any:
        body = {"entry": json.dumps(row), "device_now": NOON.isoformat(), "photo": upload(content)}
        return client.post("/work/phone/photo/", body).json()["results"][0]

    assert send(picture(), entry)["result"] == "kept"
    assert send(picture(), entry)["result"] == "kept"
    assert len(kept()) == 1
    said = send(b"no photo", entry | {"key": str(uuid.uuid4())})
    assert said["result"] == "refused" and "Send a photo" in said["words"]
    assert len(kept()) == 1
    with unscoped("counting"):
        assert SentEntry.objects.count() == 2
    assert client.post("/work/phone/photo/", {"entry": "x"}).status_code == 400


def test_only_their_own_people_see_it(cast: Cast, task: Task) -> None:
    cast.client(cast.technician).post(f"/work/tasks/{task.pk}/photo/", {"photo": upload(picture())})
    with unscoped("reading"):
        number = Attachment.objects.get().pk
    own = cast.client(cast.technician).get(f"/work/pictures/{number}/")
    assert own.status_code == 200 and Image.open(io.BytesIO(own.content)).width <= photos.SMALL_SIDE_PX
    assert cast.client(cast.outsider).get(f"/work/pictures/{number}/").status_code == 404
    assert (
        cast.client(cast.outsider)
        .post(f"/work/tasks/{task.pk}/photo/", {"photo": upload(picture())})
        .status_code
        == 404
    )
    page = cast.client(cast.technician).get(f"/work/tasks/{task.pk}/").content.decode()
    assert f"/work/pictures/{number}/" in page
