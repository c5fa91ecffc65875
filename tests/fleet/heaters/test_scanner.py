"""Where the operator has a scanner, it sees each file before anything of it is kept; a silent one lets nothing in."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from fleet.estate.scope import unscoped
from fleet.heaters import scanner
from fleet.heaters.models import Attachment, ImportBatch
from tests.conftest import Cast

HARMFUL = b"%PDF-1.7 something harmful"


@pytest.fixture
def scanned(tmp_path: Path, settings: Any) -> Path:
    """A stand-in for a virus scanner: notes what it was given and finds the word 'harmful'."""
    seen = tmp_path / "seen"
    code = (
        "import sys; content = sys.stdin.buffer.read(); "
        f"open({str(seen)!r}, 'ab').write(content); sys.exit(b'harmful' in content)"
    )
    settings.FILE_SCANNER = shlex.join([sys.executable, "-c", code])
    return seen


def attach(cast: Cast, content: bytes) -> Any:
    address = reverse("pages:attach", args=[cast.heater.pk])
    return cast.client(cast.owner).post(address, {"file": SimpleUploadedFile("a.pdf", content)}, follow=True)


def kept() -> int:
    with unscoped("counting what was kept"):
        return Attachment.objects.count() + ImportBatch.objects.count()


def test_what_it_finds_something_in_is_not_kept(cast: Cast, scanned: Path) -> None:
    assert b"found something harmful" in attach(cast, HARMFUL).content
    assert kept() == 0
    assert scanned.read_bytes() == HARMFUL
    attach(cast, b"%PDF-1.7 plain")
    assert kept() == 1


def test_a_sheet_is_looked_at_too(cast: Cast, scanned: Path) -> None:
    sheet = SimpleUploadedFile("a.csv", b"Tag,Type\nharmful,gas\n")
    answer = cast.client(cast.owner).post(reverse("heaters:import_start"), {"file": sheet}, follow=True)
    assert b"found something harmful" in answer.content
    assert kept() == 0


@pytest.mark.parametrize(
    "command", ["/nowhere/at-all", f"{sys.executable} -c 'raise SystemExit(2)'", "'half"]
)
def test_a_scanner_that_does_not_answer_lets_nothing_in(cast: Cast, settings: Any, command: str) -> None:
    settings.FILE_SCANNER = command
    assert b"could not look at the file" in attach(cast, b"%PDF-1.7 plain").content
    assert kept() == 0


def test_one_that_takes_too_long_is_not_waited_for(settings: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    settings.FILE_SCANNER = f"{sys.executable} -c 'import time; time.sleep(60)'"
    monkeypatch.setattr(scanner, "LONGEST_SECONDS", 0.05)
    assert scanner.refusal(b"x") == scanner.COULD_NOT
