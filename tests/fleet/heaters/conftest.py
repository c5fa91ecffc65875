"""An office without heaters, and the command that reads its files."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command

from fleet.estate.models import Organisation
from fleet.estate.scope import scope_of_organisation, scoped

Run = Callable[..., str]


@pytest.fixture
def office(db: None, settings: Any, tmp_path: Path) -> Iterator[Organisation]:
    settings.MEDIA_ROOT = tmp_path / "files"
    organisation = Organisation.objects.create(name="Fir Homes (invented)", invented=True)
    with scoped(scope_of_organisation(organisation, actor="test")):
        yield organisation


@pytest.fixture
def run(office: Organisation, tmp_path: Path) -> Run:
    def run_command(content: str | bytes, *options: str, name: str = "list.csv") -> str:
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        out = io.StringIO()
        call_command("import_records", str(path), "--as-of", "2026-11-01", *options, stdout=out)
        return out.getvalue()

    return run_command
