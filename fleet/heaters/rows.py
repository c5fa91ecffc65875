"""From cells to rows we understand: every column read once per distinct value, every refusal named. No database."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from fleet.heaters.date_reading import column_order, order_evidence
from fleet.heaters.dates import AmbiguousDate, LeftOut, UnreadableValue
from fleet.heaters.headings import DATE_FIELDS, Match, SheetKind
from fleet.heaters.row_checks import check_row
from fleet.heaters.row_fields import READERS, Setting
from fleet.heaters.values import unguarded
from fleet.heaters.workbook import Sheet


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing to tell about one cell: why its row is refused, or what looks improbable."""

    sheet: str
    row: int
    column: str
    value: str
    problem: str
    right: str = ""

    def __str__(self) -> str:
        where = f"Sheet '{self.sheet}', row {self.row}"
        column = f", column '{self.column}'" if self.column else ""
        right = f" Right would be: {self.right}." if self.right else ""
        return f"{where}{column}: {self.problem}.{right}"


@dataclass(frozen=True, slots=True)
class Question:
    """A column whose dates can be read two ways; asked once, never guessed row by row."""

    sheet: str
    heading: str
    example: str
    field: str


@dataclass(slots=True)
class ReadRow:
    number: int
    values: dict[str, Any]
    cells: list[object]


@dataclass
class SheetReading:
    name: str
    kind: SheetKind
    headings: list[str]
    columns: dict[str, Match]
    rows: list[ReadRow] = field(default_factory=list)
    refused: dict[int, list[Remark]] = field(default_factory=dict)
    refused_cells: dict[int, list[object]] = field(default_factory=dict)
    warnings: list[Remark] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)

    def heading_of(self, name: str) -> str:
        return next((heading for heading, match in self.columns.items() if match.field == name), "")

    def remark(self, row: ReadRow, name: str, problem: str, right: str = "") -> Remark:
        return Remark(
            self.name, row.number, self.heading_of(name), shown(self.cell_of(row, name)), problem, right
        )

    def cell_of(self, row: ReadRow, name: str) -> object:
        heading = self.heading_of(name)
        position = self.headings.index(heading) if heading else len(row.cells)
        return row.cells[position] if position < len(row.cells) else ""

    def refuse(self, row: ReadRow, name: str, problem: str, right: str = "") -> None:
        self.refused.setdefault(row.number, []).append(self.remark(row, name, problem, right))
        self.refused_cells[row.number] = row.cells

    def refused_tags(self) -> Iterator[tuple[str, int]]:
        """Tag and row of each refused heater, for the rows of other sheets that speak of it."""
        heading = self.heading_of("tag")
        position = self.headings.index(heading) if heading else -1
        for number, cells in self.refused_cells.items():
            if 0 <= position < len(cells) and (tag := shown(cells[position]).strip()):
                yield tag, number

    def warn(self, row: ReadRow, name: str, problem: str) -> None:
        self.warnings.append(self.remark(row, name, problem))


def shown(cell: object) -> str:
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return "" if cell is None else str(cell)[:200]


def read_sheet(
    sheet: Sheet, kind: SheetKind, columns: Mapping[str, Match], as_of: date, date_order: str = ""
) -> SheetReading:
    """Read every row. `date_order` answers for the columns of dates that cannot be decided from themselves."""
    reading = SheetReading(sheet.name, kind, sheet.headings, dict(columns))
    rows = [
        ReadRow(sheet.row_number(index), {}, cells)
        for index, cells in enumerate(sheet.rows)
        if any(cells) or any(cell not in ("", None) for cell in cells)
    ]
    even = _columns_if_even(rows)
    for position, heading in enumerate(sheet.headings):
        match = reading.columns.get(heading)
        if match is not None and match.field in READERS[kind]:
            if even and position < len(even):
                held, cells = rows, even[position]
            else:
                held = [row for row in rows if position < len(row.cells)]
                cells = [row.cells[position] for row in held]
            _read_column(reading, held, cells, heading, match, as_of, date_order)
    for row in rows:
        if row.number not in reading.refused:
            check_row(reading, row, as_of)
        if row.number not in reading.refused:
            reading.rows.append(row)
    return reading


def _columns_if_even(rows: list[ReadRow]) -> list[Sequence[object]]:
    """The cells column by column, where every row is as long as the first; else nothing."""
    if not rows or set(map(len, cells := [row.cells for row in rows])) != {len(rows[0].cells)}:
        return []
    return list(zip(*cells, strict=True))


def _read_column(
    reading: SheetReading,
    held: list[ReadRow],
    cells: Sequence[object],
    heading: str,
    match: Match,
    as_of: date,
    date_order: str,
) -> None:
    """Read the `cells` of the rows that are long enough to hold one."""
    hint = match.hint
    if match.field in DATE_FIELDS and hint not in ("mdy", "dmy"):
        order = column_order(cells)
        hint = date_order if order == "ask" else order
        if order == "ask" and not date_order:
            example = next(cell for cell in cells if order_evidence(cell) is not None)
            reading.questions.append(Question(reading.name, heading, shown(example), match.field))
    setting = Setting(as_of, hint)
    read = READERS[reading.kind][match.field]
    known = {kind: _read_once(unlike, read, setting) for kind, unlike in _by_kind(cells).items()}
    for kind, values in known.items():
        if any(isinstance(value, UnreadableValue) for value in values.values()):
            _tell(reading, heading, kind, values, zip(held, cells, strict=True))
    name = match.field
    if len(known) == 1:
        [values] = known.values()
        said: Iterable[Any] = map(values.get, cells)
    else:
        said = (known[type(cell)].get(cell) for cell in cells)
    for row, value in zip(held, said, strict=True):
        if value is not None:
            row.values[name] = value


def _by_kind(cells: Sequence[Any]) -> dict[type, set[Any]]:
    """The unlike cells, kind by kind: 1, 1.0 and True are one key to a dict, but not to a reader."""
    kinds = set(map(type, cells))
    if len(kinds) == 1:
        return {kinds.pop(): set(cells)}
    return {kind: {cell for cell in cells if type(cell) is kind} for kind in kinds}


def _read_once(cells: set[Any], read: Any, setting: Setting) -> dict[object, Any]:
    """What each of the unlike cells says, without those that say nothing."""
    found = {
        cell: _read_cell(read, unguarded(cell.strip()) if isinstance(cell, str) else cell, setting)
        for cell in cells - {None, ""}
    }
    return {cell: value for cell, value in found.items() if value is not None and value != ""}


def _tell(
    reading: SheetReading,
    heading: str,
    kind: type,
    values: dict[object, Any],
    said: Iterable[tuple[ReadRow, object]],
) -> None:
    """Refuse the rows whose cell could not be read, or leave the cell out with a warning; what was told of is forgotten."""
    for row, cell in said:
        value = values.get(cell) if type(cell) is kind else None
        if isinstance(value, LeftOut):
            problem = f"{value.problem}: left out"
            reading.warnings.append(
                Remark(reading.name, row.number, heading, shown(cell), problem, value.right)
            )
        elif isinstance(value, UnreadableValue):
            if isinstance(value, AmbiguousDate) and reading.questions:
                value = AmbiguousDate(value.problem, "the answer to the question about this column")
            remark = Remark(reading.name, row.number, heading, shown(cell), value.problem, value.right)
            reading.refused.setdefault(row.number, []).append(remark)
            reading.refused_cells[row.number] = row.cells
    for cell in [cell for cell, value in values.items() if isinstance(value, UnreadableValue)]:
        del values[cell]


def _read_cell(read: Any, cell: object, setting: Setting) -> Any:
    try:
        return read(cell, setting)
    except UnreadableValue as refusal:
        return refusal
