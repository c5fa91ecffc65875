"""Python's search for circles is put off while files are read, and always taken up again."""

from __future__ import annotations

import gc
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from fleet.estate.collecting import uncollected
from fleet.heaters import services
from fleet.heaters.importing import UnreadableFile
from tests.conftest import Cast


def test_who_put_the_search_off_takes_it_up_and_nobody_else() -> None:
    with uncollected():
        with uncollected():
            assert not gc.isenabled()
        assert not gc.isenabled()
    assert gc.isenabled()


def test_a_file_is_taken_in_with_few_searches_and_the_search_goes_on_after(
    in_house: Cast, settings: Any, tmp_path: Path
) -> None:
    settings.MEDIA_ROOT = tmp_path / "files"
    rows = [f"Site {number // 20},1,Closet {number},W{number:05},gas tank" for number in range(3000)]
    content = "\n".join(["Site,Bldg,Location,Tag,Type", *rows]).encode()
    begun: list[str] = []

    def search(phase: str, _: object) -> None:
        begun.extend([phase] if phase == "start" else [])

    often = gc.get_threshold()
    gc.set_threshold(700, 10, 10)
    gc.callbacks.append(search)
    try:
        batch = services.keep_file(content, "list.csv", in_house.house.pk)
        taken = services.accept(batch, date(2026, 11, 1))
    finally:
        gc.callbacks.remove(search)
        gc.set_threshold(*often)
    assert taken.counts["new"] == 3000
    # A search at every 700 objects would be dozens: each row is several.
    assert len(begun) < 12
    assert gc.isenabled()
    with pytest.raises(UnreadableFile):
        services.keep_file(b"", "empty.csv", in_house.house.pk)
    assert gc.isenabled()
