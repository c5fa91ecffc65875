"""Everything on record, written out as CSV, XLSX or JSON, row by row.

Rows carry names instead of numbers for what they belong to, so that an export can be read back into another
installation (`fleet.heaters.export_reading`). Every date goes out as its earliest and latest day and its precision.
"""

from __future__ import annotations

import csv
import io
import json
import os
import re
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import IO, Any

from django.db import models
from openpyxl import Workbook
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

from fleet.estate.models import Building, Organisation, Position, Property
from fleet.heaters.models import Heater, ServiceRecord, WaterTest

FORMAT_MARK = "tank-almanac-record"
FORMAT_VERSION = 1
# Of each form the ending of its file, and what it is as browsers say it.
CONTENT_TYPES = {
    "csv": ("zip", "application/zip"),
    "xlsx": ("xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
    "json": ("json", "application/json"),
}
FORMATS = tuple(CONTENT_TYPES)
IN_MEMORY_BYTES = 2_000_000
ROWS_AT_A_TIME = 2000
XLSX_ROWS_PER_SHEET = 1_000_000
# Kept by the program about the row, not part of the record.
NOT_EXPORTED = frozenset({"id", "version", "updated_at", "created_at"})
# A spreadsheet may run a cell that begins with one of these; the apostrophe makes it plain text.
RUNS_IN_A_SPREADSHEET = re.compile(r"'*[=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")


@dataclass(frozen=True)
class Table:
    """One table of the export: `belongs_to` maps a column to the lookup of the name it carries."""

    name: str
    model: type[models.Model]
    belongs_to: dict[str, str] = field(default_factory=dict)

    @property
    def fields(self) -> tuple[models.Field[Any, Any], ...]:
        return tuple(
            found
            for found in self.model._meta.concrete_fields
            if not found.is_relation and found.name not in NOT_EXPORTED
        )

    @property
    def columns(self) -> tuple[str, ...]:
        return (*self.belongs_to, *(found.name for found in self.fields))

    def rows(self, organisation: Organisation) -> Iterator[tuple[Any, ...]]:
        """The organisation's rows that the current scope may see, oldest first, a few thousand in memory."""
        lookups = (*self.belongs_to.values(), *(found.name for found in self.fields))
        rows = self.model.objects.filter(organisation=organisation).order_by("pk")  # type: ignore[attr-defined]
        yield from rows.values_list(*lookups).iterator(chunk_size=ROWS_AT_A_TIME)


TABLES = (
    Table("properties", Property),
    Table("buildings", Building, {"property": "property__name"}),
    Table("positions", Position, {"property": "building__property__name", "building": "building__name"}),
    Table(
        "heaters",
        Heater,
        {
            "property": "position__building__property__name",
            "building": "position__building__name",
            "position": "position__label",
        },
    ),
    Table("services", ServiceRecord, {"heater": "heater__tag"}),
    Table("water_tests", WaterTest, {"property": "property__name", "building": "building__name"}),
)


def export_records(organisation: Organisation, file_format: str, path: Path) -> dict[str, int]:
    """Write the whole record to `path`; returns rows per table. A failed export leaves no half file behind."""
    path = Path(path)
    handle, part = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as out:
            counts = write_export(organisation, file_format, out)
        os.replace(part, path)
    except BaseException:
        Path(part).unlink(missing_ok=True)
        raise
    return counts


def export_at_hand(organisation: Organisation, file_format: str) -> IO[bytes]:
    """The whole record as a file that stands at its beginning; whoever is given it closes it."""
    out = tempfile.SpooledTemporaryFile(max_size=IN_MEMORY_BYTES)  # noqa: SIM115 (see above)
    try:
        write_export(organisation, file_format, out)
    except BaseException:
        out.close()
        raise
    out.seek(0)
    return out


def write_export(organisation: Organisation, file_format: str, out: IO[bytes]) -> dict[str, int]:
    writers: dict[str, Callable[[Organisation, IO[bytes]], dict[str, int]]] = {
        "csv": _write_csv,
        "xlsx": _write_xlsx,
        "json": _write_json,
    }
    if file_format not in writers:
        raise ValueError(f"{file_format!r} is not a format of the export. Use one of: {', '.join(FORMATS)}.")
    return writers[file_format](organisation, out)


def neutralised(text: str) -> str:
    """The text with an apostrophe before it where a spreadsheet could take it for a formula.

    A text that already has such an apostrophe gets a second one, so that `restored` always gives the text back.
    """
    return f"'{text}" if RUNS_IN_A_SPREADSHEET.match(text) else text


def restored(text: str) -> str:
    return text[1:] if text.startswith("'") and RUNS_IN_A_SPREADSHEET.match(text) else text


def _plain(value: Any) -> Any:
    """A value as JSON holds it without loss."""
    if isinstance(value, date):
        return value.isoformat()
    return str(value) if isinstance(value, Decimal) else value


def _write_json(organisation: Organisation, out: IO[bytes]) -> dict[str, int]:
    counts = {}
    head = {"format": FORMAT_MARK, "version": FORMAT_VERSION, "invented": organisation.invented}
    out.write(json.dumps(head)[:-1].encode() + b', "tables": {')
    for number, table in enumerate(TABLES):
        out.write(f'{"," if number else ""}\n"{table.name}": ['.encode())
        count = 0
        for count, row in enumerate(table.rows(organisation), start=1):
            named = dict(zip(table.columns, map(_plain, row), strict=True))
            line = json.dumps(named, ensure_ascii=False, allow_nan=False)
            out.write(f"{',' if count > 1 else ''}\n{line}".encode())
        out.write(b"]")
        counts[table.name] = count
    out.write(b"}}\n")
    return counts


def _cell_text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return neutralised(value) if isinstance(value, str) else str(_plain(value))


def _write_csv(organisation: Organisation, out: IO[bytes]) -> dict[str, int]:
    """A ZIP with one CSV a table, and what each column means (see `open_formats.data_package`)."""
    from fleet.heaters.open_formats import data_package

    counts = {}
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        package.writestr("datapackage.json", json.dumps(data_package(), indent=2))
        for table in TABLES:
            with (
                package.open(f"{table.name}.csv", "w", force_zip64=True) as raw,
                io.TextIOWrapper(raw, encoding="utf-8", newline="") as text,
            ):
                writer = csv.writer(text)
                writer.writerow(table.columns)
                counts[table.name] = 0
                for row in table.rows(organisation):
                    writer.writerow([_cell_text(value) for value in row])
                    counts[table.name] += 1
    return counts


def _cell_value(value: Any) -> Any:
    """A value for a spreadsheet's cell: numbers and days stay what they are."""
    if isinstance(value, str):
        return neutralised(ILLEGAL_CHARACTERS_RE.sub("\ufffd", value)) or None
    if isinstance(value, date) and value.year < 1901:
        return value.isoformat()  # A spreadsheet knows no day before 1900.
    return value


def _write_xlsx(organisation: Organisation, out: IO[bytes]) -> dict[str, int]:
    """One sheet a table; a table too long for a sheet goes on in the next one."""
    counts = {}
    book = Workbook(write_only=True)
    for table in TABLES:
        sheet, count = book.create_sheet(table.name), 0
        sheet.append(table.columns)
        for count, row in enumerate(table.rows(organisation), start=1):
            if count > 1 and count % XLSX_ROWS_PER_SHEET == 1:
                sheet = book.create_sheet(f"{table.name} {count // XLSX_ROWS_PER_SHEET + 1}")
                sheet.append(table.columns)
            sheet.append([_cell_value(value) for value in row])
        counts[table.name] = count
    book.save(out)
    return counts
