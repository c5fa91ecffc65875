"""What may be attached to a heater: judged by its content, never by its name.

Pictures are drawn anew, which drops hidden places, thumbnails and anything that only pretends to be a picture.
"""

from __future__ import annotations

import hashlib
import io
import re
import warnings
from dataclasses import dataclass

from django.core.files.base import ContentFile

from fleet.heaters import scanner

MAX_BYTES = 15 * 2**20
MAX_PIXELS = 50_000_000
LONGEST_SIDE_PX = 2400
PDF = "application/pdf"
RIGHT = "a photo (JPEG, PNG or WebP) or a PDF of at most 15 MB"


class RefusedFile(ValueError):
    """The file cannot be kept; the message says why and what would be right."""


@dataclass(frozen=True)
class CheckedFile:
    name: str
    content_type: str
    content: bytes

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.content).hexdigest()

    def as_file(self) -> ContentFile:
        return ContentFile(self.content)


def check(name: str, content: bytes) -> CheckedFile:
    stem = re.sub(r"[^\w .()-]+", "_", name.replace("\\", "/").rsplit("/", 1)[-1].rsplit(".", 1)[0]).strip(
        " ."
    )[:100]
    stem = stem or "file"
    if not content:
        raise RefusedFile("The file is empty. Send " + RIGHT + ".")
    if len(content) > MAX_BYTES:
        raise RefusedFile(f"The file has {len(content) / 2**20:.0f} MB. Send {RIGHT}.")
    if refused := scanner.refusal(content):
        raise RefusedFile(refused)
    if content.startswith(b"%PDF-"):
        return CheckedFile(f"{stem}.pdf", PDF, content)
    return CheckedFile(f"{stem}.jpg", "image/jpeg", _drawn_anew(content))


def _drawn_anew(content: bytes) -> bytes:
    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(content), formats=["JPEG", "PNG", "WEBP"]) as picture:
                if picture.width * picture.height > MAX_PIXELS:
                    raise RefusedFile("The picture has more than 50 million points. Send a smaller one.")
                picture.draft("RGB", (LONGEST_SIDE_PX, LONGEST_SIDE_PX))
                upright = ImageOps.exif_transpose(picture).convert("RGB")
                upright.thumbnail((LONGEST_SIDE_PX, LONGEST_SIDE_PX))
                out = io.BytesIO()
                upright.save(out, "JPEG", quality=85, optimize=True)
                return out.getvalue()
    except RefusedFile:
        raise
    except Exception as error:
        raise RefusedFile(f"The file is not a picture or PDF that can be read. Send {RIGHT}.") from error
