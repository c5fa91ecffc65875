"""The rows of a list of heaters, written at once: of two thousand, cell by cell, the template is half of what the page takes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from html import escape
from typing import Any

from django import template
from django.utils.safestring import SafeString

from fleet.pages import words
from fleet.pages.heater_list import Column
from fleet.pages.templatetags.links import url

register = template.Library()


@register.simple_tag
def heater_rows(lines: Iterable[Mapping[str, Any]], columns: Iterable[Column]) -> SafeString:
    """The first column names the heater and leads to it. Every text is escaped here."""
    _, *others = columns
    openings = [_opening(column) for column in others]
    rows = []
    for line in lines:
        tag, *texts = line["texts"]
        ended = ' <span class="mark">left service</span>' if line["ended"] else ""
        address = url("pages:heater", line["id"])
        head = f'<tr><th scope="row"><a class="tag" href="{address}">{escape(tag)}</a>{ended}</th>'
        cells = [f"{opening}{_cell(text)}</td>" for opening, text in zip(openings, texts, strict=True)]
        rows.append(f"{head}{''.join(cells)}</tr>")
    return SafeString("\n".join(rows))


def _opening(column: Column) -> str:
    kind = ' class="number"' if column.number else ' class="day"' if column.key == "installed" else ""
    return f'<td{kind} data-label="{escape(column.heading)}">'


def _cell(text: str) -> str:
    shown = escape(text)
    assumed = text == words.NOT_KNOWN or "(since made)" in text
    return f'<span class="assumed">{shown}</span>' if assumed else shown
