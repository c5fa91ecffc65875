"""An export read back into an organisation that has no record yet: the same record again, or nothing at all."""

from __future__ import annotations

import csv
import io
import json
import re
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import IO, Any
from xml.etree.ElementTree import ParseError as XMLSyntaxError

import openpyxl
from django.core.exceptions import ValidationError
from django.db import IntegrityError, models, transaction

from fleet.estate.history import Change, record_changes
from fleet.estate.models import Organisation, Property
from fleet.estate.scope import ScopeMissing, current_scope
from fleet.heaters.exporting import FORMAT_MARK, FORMAT_VERSION, TABLES, Table, restored

LARGEST_FILE_BYTES = 500_000_000
LARGEST_UNPACKED_BYTES = 2_000_000_000
ROWS_AT_A_TIME = 2000
Row = dict[str, Any]
Tables = dict[str, Iterator[Row]]


class ExportRefused(ValueError):
    """The file cannot be taken in; the message says where and what would be right."""


def import_export(organisation: Organisation, path: Path) -> dict[str, int]:
    """Take in a JSON, XLSX or zipped CSV export. All of it or nothing; returns rows per table.

    Raises ExportRefused when the organisation already has a record, or with table, row, column and value of the
    first thing that is wrong.
    """
    if not current_scope().allows(organisation.pk):
        raise ScopeMissing("This organisation lies outside the current scope.")
    if Property.objects.filter(organisation=organisation).exists():
        raise ExportRefused(
            f"{organisation} already has properties. An export is read back only into an organisation without any; "
            "to add or change rows, import a sheet of heaters."
        )
    with _opened(Path(path)) as tables, transaction.atomic():
        return _Taking(organisation).take(tables)


class _Taking:
    """Rows of each table in turn, matched by name to what they belong to."""

    def __init__(self, organisation: Organisation) -> None:
        self.organisation = organisation
        self.known: dict[str, dict[tuple[Any, ...], int]] = {}

    def take(self, tables: Tables) -> dict[str, int]:
        counts = {}
        for table in TABLES:
            rows = tables.get(table.name, iter(()))
            counts[table.name] = self._take_table(table, rows)
        return counts

    def _take_table(self, table: Table, rows: Iterator[Row]) -> int:
        batch: list[tuple[Any, tuple[Any, ...]]] = []
        count = 0
        for count, row in enumerate(rows, start=1):
            batch.append((self._made(table, row, count), tuple(row.get(name) for name in table.belongs_to)))
            if len(batch) == ROWS_AT_A_TIME:
                self._keep(table, batch, count)
                batch = []
        if batch:
            self._keep(table, batch, count)
        return count

    def _made(self, table: Table, row: Row, number: int) -> models.Model:
        unknown = sorted(set(row) - set(table.columns))
        if unknown:
            raise ExportRefused(
                f"{table.name}, row {number}: no column is called {unknown[0]!r}. Columns are: {', '.join(table.columns)}."
            )
        values: dict[str, Any] = {"organisation_id": self.organisation.pk, **self._owner(table, row, number)}
        for field in table.fields:
            if field.name in row:
                values[field.attname] = _read(table, field, row[field.name], number)
        made = table.model(**values)
        try:
            made.clean_fields(exclude={"organisation", "property", "building", "position", "heater"})
        except ValidationError as error:
            column, problems = next(iter(error.message_dict.items()))
            raise ExportRefused(
                f"{table.name}, row {number}, column {column}: {row.get(column)!r} cannot be taken. {problems[0]}"
            ) from error
        return made

    def _owner(self, table: Table, row: Row, number: int) -> dict[str, int | None]:
        """The numbers of what the row belongs to, found by the names it carries."""
        names = tuple(row.get(column) for column in table.belongs_to)
        if not names:
            return {}
        if table.name == "water_tests":
            place = self._found("properties", names[:1], table, number)
            building = self._found("buildings", names, table, number) if names[1] not in (None, "") else None
            return {"property_id": place, "building_id": building}
        owner = {
            "buildings": "properties",
            "positions": "buildings",
            "heaters": "positions",
            "services": "heaters",
        }
        column = list(table.belongs_to)[-1]
        return {f"{column}_id": self._found(owner[table.name], names, table, number)}

    def _found(self, owner: str, names: tuple[Any, ...], table: Table, number: int) -> int:
        try:
            return self.known[owner][names]
        except KeyError:
            written = " / ".join(str(name) for name in names)
            raise ExportRefused(
                f"{table.name}, row {number}: {written!r} is not among the {owner.replace('_', ' ')} of this file. "
                f"Add it there, or mend the name here."
            ) from None

    def _keep(self, table: Table, batch: list[tuple[Any, tuple[Any, ...]]], last: int) -> None:
        known = self.known.setdefault(table.name, {})
        try:
            table.model.objects.bulk_create([made for made, _ in batch])  # type: ignore[attr-defined]
        except IntegrityError as error:
            raise ExportRefused(
                f"{table.name}, rows {last - len(batch) + 1} to {last}: the record cannot hold them together ({error}). "
                "Every name stands once, a position has one heater in service, and nothing ends before it starts."
            ) from error
        if name_field := OWN_NAME.get(table.name):
            for made, names in batch:
                own = getattr(made, name_field)
                known[(own,) if table.name == "heaters" else (*names, own)] = made.pk
        if table.name in ("properties", "heaters"):
            properties = self.known["properties"]
            record_changes(
                Change(made, "taken in from an export", property_id=properties[names[:1] or (made.name,)])
                for made, names in batch
            )


OWN_NAME = {"properties": "name", "buildings": "name", "positions": "label", "heaters": "tag"}


def _read(table: Table, field: models.Field[Any, Any], value: Any, number: int) -> Any:
    """The value as the field holds it: an empty cell is nothing, or no text where the field is text."""
    if isinstance(value, datetime):
        value = value.date()
    if value is None or value == "":
        return None if field.null else field.get_default() if not field.empty_strings_allowed else ""
    if isinstance(field, models.BooleanField) and value in ("yes", "no"):
        return value == "yes"
    try:
        return field.to_python(str(value) if isinstance(field, models.CharField) else value)
    except (ValidationError, TypeError, ValueError) as error:
        raise ExportRefused(
            f"{table.name}, row {number}, column {field.name}: {value!r} cannot be read as {field.description % vars(field)}."
        ) from error


@contextmanager
def _opened(path: Path) -> Iterator[Tables]:
    """The tables of the file, told apart by its content, not by its name."""
    try:
        size = path.stat().st_size
    except OSError as error:
        raise ExportRefused(f"{path.name} cannot be read: {error.strerror}.") from error
    if not 0 < size <= LARGEST_FILE_BYTES:
        raise ExportRefused(
            f"{path.name} has {size:,} bytes; an export has between 1 and {LARGEST_FILE_BYTES:,} bytes."
        )
    if not zipfile.is_zipfile(path):
        yield _json_tables(path)
        return
    try:
        with path.open("rb") as file, zipfile.ZipFile(file) as package:
            yield _packed_tables(package, file, path.name)
    except (zipfile.BadZipFile, UnicodeDecodeError, csv.Error, zlib.error, XMLSyntaxError) as error:
        raise ExportRefused(f"{path.name} is damaged ({error}). Export it again.") from error


def _packed_tables(package: zipfile.ZipFile, file: IO[bytes], name: str) -> Tables:
    unpacked = sum(entry.file_size for entry in package.infolist())
    if unpacked > LARGEST_UNPACKED_BYTES:
        raise ExportRefused(f"{name} unpacks to {unpacked:,} bytes; at most {LARGEST_UNPACKED_BYTES:,}.")
    names = set(package.namelist())
    if "xl/workbook.xml" in names:
        try:
            return _sheet_tables(openpyxl.load_workbook(file, read_only=True, data_only=True))
        except (KeyError, TypeError, AttributeError) as error:  # what the library raises on broken packages
            raise ExportRefused(NOT_AN_EXPORT.format(name)) from error
    if f"{TABLES[0].name}.csv" in names:
        return {table.name: _csv_rows(package, table) for table in TABLES if f"{table.name}.csv" in names}
    raise ExportRefused(NOT_AN_EXPORT.format(name))


NOT_AN_EXPORT = (
    "{} is not an export of this program. Use a file written by export_records or the export page."
)


def _no_constant(name: str) -> Any:
    raise ExportRefused(
        f"The file has {name} where a number should stand. Write a number, or null for not known."
    )


def _json_tables(path: Path) -> Tables:
    try:
        content = json.loads(path.read_bytes(), parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        if isinstance(error, ExportRefused):
            raise
        raise ExportRefused(NOT_AN_EXPORT.format(path.name)) from error
    tables = (
        content.get("tables") if isinstance(content, dict) and content.get("format") == FORMAT_MARK else None
    )
    if not isinstance(tables, dict):
        raise ExportRefused(NOT_AN_EXPORT.format(path.name))
    if content.get("version") != FORMAT_VERSION:
        raise ExportRefused(
            f"{path.name} has version {content.get('version')!r}; this program reads version {FORMAT_VERSION}."
        )
    for name, rows in tables.items():
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise ExportRefused(f"{name}: a table is a list of rows, and each row names its columns.")
    return {name: iter(rows) for name, rows in tables.items()}


def _csv_rows(package: zipfile.ZipFile, table: Table) -> Iterator[Row]:
    with (
        package.open(f"{table.name}.csv") as raw,
        io.TextIOWrapper(raw, encoding="utf-8", newline="") as text,
    ):
        yield from _named_rows(csv.reader(text))


def _sheet_tables(book: openpyxl.Workbook) -> Tables:
    tables: Tables = {}
    for table in TABLES:
        names = [name for name in book.sheetnames if re.fullmatch(rf"{table.name}( \d+)?", name)]
        if names:
            tables[table.name] = chain.from_iterable(
                _named_rows(book[name].iter_rows(values_only=True)) for name in names
            )
    if TABLES[0].name not in tables:
        raise ExportRefused(NOT_AN_EXPORT.format("The workbook"))
    return tables


def _named_rows(lines: Iterable[Sequence[Any]]) -> Iterator[Row]:
    rows = iter(lines)
    headings = [str(heading) for heading in next(rows, ())]
    for line in rows:
        yield {
            heading: (restored(cell) if isinstance(cell, str) else cell) if cell != "" else None
            for heading, cell in zip(headings, line, strict=False)
        }
