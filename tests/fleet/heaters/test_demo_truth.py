"""The demo office's untidy sheet, read, against the invented estate that it was written from."""

from __future__ import annotations

import importlib
from collections import Counter
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from fleet.heaters.headings import SheetKind, guess_columns, guess_kind
from fleet.heaters.rows import SheetReading, read_sheet
from fleet.heaters.workbook import open_workbook

FOLDER = Path(__file__).parents[3] / "fixtures" / "demo"
AS_OF = date(2026, 11, 1)


@pytest.fixture(scope="module")
def estate() -> Any:
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(FOLDER))
        seed = importlib.import_module("make_estate").SEED
        return importlib.import_module("simulation").simulate(seed)


@pytest.fixture(scope="module")
def readings() -> dict[SheetKind, SheetReading]:
    book = open_workbook((FOLDER / "heaters.xlsx").read_bytes(), "heaters.xlsx")
    found: dict[SheetKind, SheetReading] = {}
    for sheet in book.sheets:
        kind = guess_kind(sheet.name, sheet.headings)
        if kind is not None:
            found[kind] = read_sheet(sheet, kind, guess_columns(sheet.headings, kind), AS_OF)
    return found


def test_every_heater_is_read_as_it_was(estate: Any, readings: dict[SheetKind, SheetReading]) -> None:
    truth = {heater.tag: heater for heater in estate.heaters}
    wrong: list[tuple[str, str]] = []
    for row in readings["heaters"].rows:
        values, heater = row.values, truth.get(row.values["tag"])
        if heater is None:
            continue
        for name, happened in (("installed", heater.installed), ("removed", heater.ended)):
            said = values.get(name)
            if said is not None and not (happened and said.earliest <= happened <= said.latest):
                wrong.append((heater.tag, name))
        if values["kind"] != heater.kind:
            wrong.append((heater.tag, "kind"))
        if values.get("ending", "") != (heater.ending or ""):
            wrong.append((heater.tag, "ending"))
        if "capacity_gal" in values and values["capacity_gal"] != pytest.approx(heater.capacity_gal, abs=1):
            wrong.append((heater.tag, "capacity"))
        if "input_btu_h" in values and values["input_btu_h"] != pytest.approx(heater.input_btu_h, rel=0.02):
            wrong.append((heater.tag, "input"))
        if values.get("anode_kind", heater.anode_kind) != heater.anode_kind:
            wrong.append((heater.tag, "anode"))
    assert wrong == []
    assert len(readings["heaters"].rows) >= len(truth)


def test_every_piece_of_work_is_read_as_it_was(estate: Any, readings: dict[SheetKind, SheetReading]) -> None:
    done = Counter(service.kind for heater in estate.heaters for service in heater.services)
    assert Counter(row.values["work"] for row in readings["service"].rows) == done
    assert readings["service"].refused == {}
    assert len(readings["water"].rows) == len(estate.water_tests)
