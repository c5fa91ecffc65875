"""A report's content as a PDF (typst, with its own fonts and no network) and as a workbook."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import Any

from fleet.heaters import workbook_answer
from fleet.planning import capital_files
from fleet.planning.capital_rows import CapitalPlan

TEMPLATE = Path(__file__).with_name("report.typ")


def pdf_of(content: dict[str, Any], made_at: datetime) -> bytes:
    """The same content at the same moment gives the same bytes."""
    import typst

    made = typst.compile(
        TEMPLATE.read_bytes(),
        sys_inputs={"report": json.dumps(content)},
        ignore_system_fonts=True,
        timestamp=int(made_at.timestamp()),
    )
    assert isinstance(made, bytes)
    return made


def workbook_of(content: dict[str, Any], plan: CapitalPlan) -> bytes:
    """The first page, the plan's own sheets, and what the report stands on."""
    first = [[part["heading"], words] for part in content["first_page"] for words in part["words"]]
    grounds = [
        [name, words]
        for name, key in (
            ("method and sources", "method"),
            ("assumption", "assumptions"),
            ("quality of the data", "data_quality"),
            ("best age", "best_ages"),
            ("reserve fund", "reserve"),
            ("caution", "cautions"),
        )
        for words in content[key]
    ]
    head = [
        ["report", f"{content['title']}, {content['organisation']}"],
        ["as of", content["as_of"]],
        ["made on", content["made_on"]],
        ["currency", content["currency"]],
    ]
    if content["invented"]:
        head.append(["note", "Invented demonstration data: no real property, person or heater is shown."])
    return workbook_answer.workbook_of(
        [
            ("first page", ("what", "words"), [*head, *first]),
            *capital_files.sheets_of(plan)[:-1],
            ("grounds", ("what", "words"), grounds),
        ]
    )
