"""Seconds and memory of exporting a large record, printed. Run with `pytest tests/bench/test_export_speed.py -s`."""

from __future__ import annotations

import time
import tracemalloc
from datetime import date
from pathlib import Path

import pytest

from fleet.estate.models import Building, Position
from fleet.heaters.exporting import export_records
from fleet.heaters.models import Heater
from tests.conftest import Cast

HEATERS = 20_000
MOST_MEGABYTES = 60  # a streamed export holds a few thousand rows, never all of them


@pytest.fixture
def large(in_house: Cast) -> Cast:
    house = in_house.house
    building = Building.objects.create(organisation=house, property=in_house.property, name="large")
    positions = Position.objects.bulk_create(
        Position(organisation=house, building=building, label=f"P{number}") for number in range(HEATERS)
    )
    day = {"installed_earliest": date(2016, 5, 3), "installed_latest": date(2016, 5, 3)}
    Heater.objects.bulk_create(
        [
            Heater(
                organisation=house,
                position=place,
                tag=place.label,
                kind="electric_storage",
                notes="=1+1",
                **day,
            )
            for place in positions
        ],
        batch_size=2000,
    )
    return in_house


@pytest.mark.parametrize("file_format", ["json", "csv", "xlsx"])
def test_a_large_export_streams(large: Cast, tmp_path: Path, file_format: str) -> None:
    path = tmp_path / "record"
    clock = time.perf_counter()
    counts = export_records(large.house, file_format, path)
    seconds = time.perf_counter() - clock
    tracemalloc.start()
    export_records(large.house, file_format, path)
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    rows = sum(counts.values())
    print(
        f"{file_format}: {rows:,} rows in {seconds:.2f} s, {path.stat().st_size / 1e6:.1f} MB, peak {peak:.1f} MB"
    )
    assert peak < MOST_MEGABYTES
