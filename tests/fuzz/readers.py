"""What is done with each kind of file, and the bounds that each reading keeps: refuse or read, never break or hang."""

from __future__ import annotations

import json
import resource
import tempfile
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path

from fleet.care.phone_reading import Unreadable, read_entry
from fleet.estate.models import Organisation
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters import attachments
from fleet.heaters.export_reading import ExportRefused, import_export
from fleet.heaters.importing import compare, guess
from fleet.heaters.workbook import UnreadableFile, open_workbook
from fleet.planning.cost_book_files import read_prices
from fleet.planning.prices import CostBookRefused
from tests.fuzz import makers

# One small file: far above what any takes, far below what a hang or a bomb would.
MOST_SECONDS = 20.0
MOST_GROWTH_BYTES = 600 * 2**20


def _in_words(refusal: Exception) -> None:
    assert str(refusal).strip(), "refused without a word"


def read_sheet(suffix: str) -> Callable[[Organisation, bytes], None]:
    def read(house: Organisation, content: bytes) -> None:
        try:
            book = open_workbook(content, f"fuzz{suffix}")
            compare(book, house.pk, guess(book, house.pk), date(2026, 1, 1), "mdy")
        except UnreadableFile as refusal:
            _in_words(refusal)

    return read


def read_picture(house: Organisation, content: bytes) -> None:
    try:
        kept = attachments.check("fuzz", content)
    except attachments.RefusedFile as refusal:
        _in_words(refusal)
    else:
        assert kept.content_type in ("image/jpeg", "application/pdf")


def read_record(house: Organisation, content: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "record.json")
        path.write_bytes(content)
        try:
            import_export(house, path)
        except ExportRefused as refusal:
            _in_words(refusal)


def read_price_file(house: Organisation, content: bytes) -> None:
    try:
        read_prices(content, "fuzz.csv")
    except (UnreadableFile, CostBookRefused) as refusal:
        _in_words(refusal)


def read_from_a_phone(house: Organisation, content: bytes) -> None:
    try:
        raw = json.loads(content)
    except (ValueError, RecursionError):
        return  # the page answers that it is not JSON
    try:
        read_entry(raw)
    except Unreadable as refusal:
        _in_words(refusal)


KINDS = {
    "csv": (makers.CSV_FILES, read_sheet(".csv")),
    "xlsx": (makers.XLSX_FILES, read_sheet(".xlsx")),
    "ods": (makers.ODS_FILES, read_sheet(".ods")),
    "picture": (makers.PICTURES, read_picture),
    "json": (makers.JSON_FILES, read_record),
    "prices": (makers.PRICE_FILES, read_price_file),
    "phone": (makers.PHONE_FILES, read_from_a_phone),
}


def read_within_bounds(kind: str, house: Organisation, content: bytes) -> float:
    """Read one file; returns the seconds it took. Any error but a refusal in words goes through."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    began = time.process_time()
    with scoped(scope_of_organisation(house)):
        KINDS[kind][1](house, content)
    took = time.process_time() - began
    grew = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 - before
    assert took < MOST_SECONDS, f"{kind}: {took:.1f} s"
    assert grew < MOST_GROWTH_BYTES, f"{kind}: {grew / 2**20:.0f} MB more"
    return took
