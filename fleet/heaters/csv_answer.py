"""A table as a CSV file that begins to arrive at once, however long it is: a piece is read when the one before is on its way."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from contextvars import Context, copy_context
from itertools import islice
from typing import Any

from django.http import StreamingHttpResponse

from fleet.heaters.exporting import neutralised

BYTE_ORDER_MARK = "\ufeff"  # by which a spreadsheet knows the text for what it is
_ROWS_A_PIECE = 500


def csv_answer(
    name: str, headings: Sequence[str], rows: Iterable[Sequence[Any]], before: str = ""
) -> StreamingHttpResponse:
    """`rows` are asked for later, with the scope and the reading habit of the request that is being answered now."""
    answer = StreamingHttpResponse(
        _pieces(copy_context(), headings, rows, before), content_type="text/csv; charset=utf-8"
    )
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


def csv_text(rows: Iterable[Sequence[Any]]) -> str:
    """Text that a spreadsheet would run is neutralised."""
    buffer = io.StringIO()
    csv.writer(buffer).writerows([safe(value) for value in row] for row in rows)
    return buffer.getvalue()


def _pieces(
    request: Context, headings: Sequence[str], rows: Iterable[Sequence[Any]], before: str
) -> Iterator[str]:
    waiting = iter(rows)
    yield before + csv_text([headings])
    while piece := request.run(lambda: list(islice(waiting, _ROWS_A_PIECE))):
        yield csv_text(piece)


def safe(value: Any) -> Any:
    return neutralised(value) if isinstance(value, str) else value
