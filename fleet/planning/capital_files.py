"""A stored capital plan as CSV and XLSX, the same figures as on the screen."""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import Any

from fleet.heaters import csv_answer
from fleet.planning.capital_rows import CapitalPlan
from fleet.planning.capital_words import (
    LINE_HEADINGS,
    SCENARIO_HEADINGS,
    YEAR_HEADINGS,
    line_rows,
    notes,
    property_rows,
    scenario_rows,
    year_rows,
)

Sheets = Iterable[tuple[str, Iterable[str], Iterable[list[Any]]]]


def csv_text(plan: CapitalPlan) -> str:
    return csv_answer.csv_text([LINE_HEADINGS, *line_rows(plan)])


def sheets_of(plan: CapitalPlan) -> list[tuple[str, Iterable[str], Iterable[list[Any]]]]:
    years = [row["label"] for row in (plan.result or {})["years"]]
    return [
        ("years", YEAR_HEADINGS, year_rows(plan)),
        ("heaters", LINE_HEADINGS, line_rows(plan)),
        ("properties", ("property", "heaters", *years, "all years"), property_rows(plan)),
        ("compared", SCENARIO_HEADINGS, scenario_rows(plan)),
        ("how sure", ("what the plan stands on",), ([line] for line in notes(plan))),
    ]


def workbook(plan: CapitalPlan) -> bytes:
    return workbook_of(sheets_of(plan))


def workbook_of(sheets: Sheets) -> bytes:
    """Sheets of plain cells: nothing that a spreadsheet would run, nothing that a workbook cannot hold."""
    from openpyxl import Workbook
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    book = Workbook(write_only=True)
    for title, headings, rows in sheets:
        sheet = book.create_sheet(title)
        sheet.freeze_panes = "A2"
        sheet.append([csv_answer.safe(heading) for heading in headings])
        for row in rows:
            cells = [csv_answer.safe(cell) for cell in row]
            sheet.append([ILLEGAL_CHARACTERS_RE.sub("\ufffd", c) if isinstance(c, str) else c for c in cells])
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()
