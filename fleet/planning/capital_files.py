"""A stored capital plan as CSV and XLSX, the same figures as on the screen."""

from __future__ import annotations

from fleet.heaters import csv_answer
from fleet.heaters.workbook_answer import Sheet, workbook_of
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


def csv_text(plan: CapitalPlan) -> str:
    return csv_answer.csv_text([LINE_HEADINGS, *line_rows(plan)])


def sheets_of(plan: CapitalPlan) -> list[Sheet]:
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
