"""Data of every earlier release, kept as its back-up in tests/releases, comes up to date and can be worked with."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import pytest

from tests.fleet.operating.houses import Installation, releases

RELEASES = releases()


def test_there_is_a_back_up_of_an_earlier_release() -> None:
    assert RELEASES


@pytest.mark.parametrize("archive", RELEASES, ids=lambda path: path.stem)
def test_an_earlier_release_s_data_comes_up_to_date(archive: Path, tmp_path: Path) -> None:
    manifest = json.loads(zipfile.ZipFile(archive).read("manifest.json"))
    house = Installation(tmp_path / "data")
    house.done("restore", str(archive))
    assert "No planned migration operations" in house.done("migrate", "--plan")
    record = json.loads(house.export(tmp_path / "record.json"))
    for name, table in (
        ("heaters", "heaters_heater"),
        ("services", "heaters_servicerecord"),
        ("water_tests", "heaters_watertest"),
        ("positions", "estate_position"),
    ):
        assert len(record["tables"][name]) == manifest["tables"][table]["rows"] > 10, name
    assert "fiscal year" in house.done("plan"), "the plan of the earlier release can still be read"
