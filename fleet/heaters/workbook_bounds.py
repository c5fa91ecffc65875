"""Measuring a packed workbook before a reader builds it in memory.

A workbook can name one cell at row 1,048,576 of column 16,384, or pack gigabytes into kilobytes. The reader builds
the whole rectangle and would end the process, so the XML is unpacked here once, in pieces, and only counted.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable
from itertools import pairwise
from typing import IO

MAX_UNPACKED_BYTES = 400 * 2**20
MAX_ROWS = 250_000
MAX_COLUMNS = 200
MAX_CELLS = 6_000_000
# Longer than any spreadsheet program lets one cell hold.
MAX_CELL_CHARACTERS = 40_000
_CHUNK = 4 * 2**20
Check = Callable[[bytes, int], None]


class UnreadableFile(ValueError):
    """The file as a whole cannot be read; the message says why and what would be right."""


def _too_wide() -> UnreadableFile:
    return UnreadableFile(f"The sheet has too many columns; at most {MAX_COLUMNS} can be read.")


def _too_long() -> UnreadableFile:
    return UnreadableFile(f"The sheet has more than {MAX_ROWS:,} rows. Send it in parts.")


def measure(content: bytes, suffix: str) -> None:
    """Unpack once into nothing, counting. Raises UnreadableFile where a bound is passed."""
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        raise UnreadableFile(
            "The workbook is an old XLS or is locked with a password. Save it as XLSX without one."
        )
    try:
        archive = zipfile.ZipFile(io.BytesIO(content))
    except (zipfile.BadZipFile, NotImplementedError, ValueError) as error:
        raise UnreadableFile(f"This is not a workbook, although its name ends in {suffix}.") from error
    entries = archive.infolist()
    if sum(entry.file_size for entry in entries) > MAX_UNPACKED_BYTES or len(entries) > 5000:
        raise UnreadableFile(f"The workbook unpacks to more than {MAX_UNPACKED_BYTES // 2**20} MB.")
    if not {entry.filename for entry in entries} & {"xl/workbook.xml", "content.xml"}:
        raise UnreadableFile(
            f"This is a zip archive, but not a workbook, although its name ends in {suffix}."
        )
    try:
        for entry in entries:
            with archive.open(entry) as stream:
                _measure_entry(entry.filename, stream)
    except UnreadableFile:
        raise
    except Exception as error:  # the unpacker raises whatever its codec does
        raise UnreadableFile(f"The workbook is damaged and cannot be unpacked ({error}).") from error


def _measure_entry(name: str, stream: IO[bytes]) -> None:
    """The archive's own sizes were checked; reading past them fails the checksum, so they cannot lie."""
    if name == "content.xml":
        _measure_ods(stream.read())
    elif name.startswith("xl/worksheets/"):
        _measure_pieces(stream, _ROW_TAG, _measure_row)
    elif name == "xl/sharedStrings.xml":
        _measure_pieces(stream, _STRING_TAG, _measure_string)
    else:
        while stream.read(_CHUNK):
            pass


_ROW_TAG = re.compile(rb"<(?:\w+:)?row\b")
_STRING_TAG = re.compile(rb"<(?:\w+:)?si\b")
_CELL_TAG = re.compile(rb"<(?:\w+:)?c\b")
# A reference from column GA on, or with six digits of row: the only ones that can lie beyond our bounds.
_FAR_REFERENCE = re.compile(
    rb"""\br\s{0,9}=\s{0,9}["']\s*(?:([A-Za-z]{3,}|[G-Zg-z][A-Za-z])\d*|[A-Za-z]{0,2}(\d{6,}))["'][^>]*>"""
)


def _measure_pieces(stream: IO[bytes], tag: re.Pattern[bytes], check: Check) -> None:
    """Call `check` with each piece that begins at `tag`, and with how many there have been."""
    rest, count = b"", 0
    while chunk := stream.read(_CHUNK):
        rest += chunk
        starts = [match.start() for match in tag.finditer(rest)]
        for start, end in pairwise(starts):
            count += 1
            check(rest[start:end], count)
        if starts:
            rest = rest[starts[-1] :]
        if len(rest) > 2 * _CHUNK:
            raise _too_wide()
    check(rest, count + 1)


def _measure_row(xml: bytes, number: int) -> None:
    if number > MAX_ROWS + 1:
        raise _too_long()
    if len(xml) > 3 * MAX_COLUMNS and len(_CELL_TAG.findall(xml)) > 2 * MAX_COLUMNS:
        raise _too_wide()
    for match in _FAR_REFERENCE.finditer(xml):
        if match[0].endswith(b"/>"):
            continue  # a cell or row that carries only its looks
        if match[1] is not None:
            raise UnreadableFile(
                f"A cell stands in column {match[1].decode().upper()}; at most {MAX_COLUMNS} columns can be read."
            )
        if int(match[2]) > MAX_ROWS:
            raise UnreadableFile(
                f"A cell stands in row {int(match[2]):,}; at most {MAX_ROWS:,} rows can be read."
            )


def _measure_string(xml: bytes, number: int) -> None:
    if len(xml) > 4 * MAX_CELL_CHARACTERS:
        raise UnreadableFile(f"A cell holds more than {MAX_CELL_CHARACTERS:,} characters.")


_REPEATED_ROWS = re.compile(rb"""^[^>]*?number-rows-repeated\s*=\s*["'](\d+)["']""")
_REPEATED_CELL = re.compile(
    rb"""<table:table-cell\b[^>]*?number-columns-repeated\s*=\s*["'](\d+)["'][^>]*>"""
)


def _measure_ods(xml: bytes) -> None:
    """Count what the repeats stand for. Repeats after the last content end nearly every sheet and are dropped."""
    for table in xml.split(b"<table:table ")[1:]:
        rows = cells = pending = 0
        for row in table.split(b"<table:table-row")[1:]:
            head = _REPEATED_ROWS.match(row)
            repeats = int(head[1]) if head else 1
            if b"value-type" not in row and b"<text:p" not in row:
                pending += repeats
                continue
            width = row.count(b"<table:table-cell")
            if b"number-columns-repeated" in row:
                # Empty cells may be repeated to the end of the row; before a cell with content they count.
                last = row.rfind(b"value-type")
                width += sum(int(match[1]) for match in _REPEATED_CELL.finditer(row) if match.start() < last)
            if width > MAX_COLUMNS * 2:
                raise _too_wide()
            rows += pending + repeats
            cells += width * repeats
            pending = 0
            if rows > MAX_ROWS or cells > MAX_CELLS:
                raise _too_long()
