"""Tables as the sheets of one workbook, for a reader who opens it in a spreadsheet."""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import Any

from fleet.heaters.csv_answer import safe

Sheet = tuple[str, Iterable[str], Iterable[list[Any]]]  # its name, its headings, its rows


def workbook_of(sheets: Iterable[Sheet]) -> bytes:
    """Sheets of plain cells: nothing that a spreadsheet would run, nothing that a workbook cannot hold."""
    from openpyxl import Workbook
    from openpyxl.styles import Font

    book, bold = Workbook(write_only=True), Font(bold=True)
    for title, headings, rows in sheets:
        sheet = book.create_sheet(title)
        sheet.freeze_panes = "A2"
        sheet.append([_heading(sheet, heading, bold) for heading in headings])
        for row in rows:
            sheet.append([_cell(value) for value in row])
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def _heading(sheet: Any, text: str, font: Any) -> Any:
    from openpyxl.cell import WriteOnlyCell

    cell = WriteOnlyCell(sheet, value=_cell(text))
    cell.font = font
    return cell


def _cell(value: Any) -> Any:
    """Characters that a workbook cannot hold are shown as the replacement mark."""
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    return ILLEGAL_CHARACTERS_RE.sub("\ufffd", safe(value)) if isinstance(value, str) else value
