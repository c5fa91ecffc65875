"""Opening a file from outside: CSV, XLSX or ODS, within bounds, as plain cells. Nothing here is trusted.

A workbook can name a cell at row 1,048,576 of column 16,384, or pack gigabytes into kilobytes; a reader that builds
the whole rectangle would end the process. So the packed XML is measured before it is given to the reader.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import PurePath

from fleet.heaters.cobie_reading import HEADINGS, heaters_of
from fleet.heaters.headings import known_headings
from fleet.heaters.workbook_bounds import MAX_CELLS, MAX_COLUMNS, MAX_ROWS, UnreadableFile, measure

MAX_BYTES = 50 * 2**20
MAX_LINE = 1_000_000
HEADING_SEARCH_ROWS = 25
SIGNATURES = (
    (b"PK\x03\x04", "a zip archive or a workbook"),
    (b"%PDF", "a PDF"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"GIF8", "a picture"),
    (b"\xd0\xcf\x11\xe0", "an old workbook (XLS)"),
    (b"\x7fELF", "a program"),
    (b"\x1f\x8b", "a compressed file"),
)
Cell = object


@dataclass
class Sheet:
    """One sheet: its headings and the rows below them. Row numbers are those the user's spreadsheet shows."""

    name: str
    headings: list[str]
    heading_row: int
    rows: list[list[Cell]]

    def row_number(self, index: int) -> int:
        return self.heading_row + 1 + index


@dataclass
class Workbook:
    file_name: str
    sha256: str
    sheets: list[Sheet]
    encoding: str = ""
    delimiter: str = ""
    remarks: list[str] = field(default_factory=list)


def open_workbook(content: bytes, file_name: str, encoding: str = "") -> Workbook:
    """Read the whole file or raise UnreadableFile."""
    suffix = PurePath(file_name).suffix.casefold()
    if suffix not in (".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".ods"):
        hint = " Save it as XLSX first." if suffix in (".xls", ".xlsb") else ""
        raise UnreadableFile(
            f"'{suffix or file_name}' is not a file we can read: send CSV, XLSX or ODS.{hint}"
        )
    if len(content) > MAX_BYTES:
        raise UnreadableFile(
            f"The file is {len(content) / 2**20:.0f} MB; at most {MAX_BYTES // 2**20} MB can be read. Send it in parts."
        )
    if not content.strip():
        raise UnreadableFile("The file is empty.")
    digest = hashlib.sha256(content).hexdigest()
    if suffix in (".xlsx", ".xlsm", ".ods"):
        book = Workbook(file_name, digest, [])
        grids: Iterator[tuple[str, list[list[Cell]]]] = iter(_packed(content, suffix))
    else:
        text, used = decode(content, encoding)
        delimiter = find_delimiter(text)
        book = Workbook(file_name, digest, [], used, delimiter)
        grids = iter([(PurePath(file_name).stem, list(_csv_rows(text, delimiter)))])
    opened = list(grids)
    if (rows := heaters_of(dict(opened))) is not None:
        book.sheets.append(Sheet("Component", list(HEADINGS), 1, rows))
    else:
        book.sheets += [sheet for name, grid in opened if (sheet := _sheet(name, grid)) is not None]
    if not book.sheets:
        raise UnreadableFile("No sheet of the file has a row of headings with rows below it.")
    return book


def decode(content: bytes, encoding: str = "") -> tuple[str, str]:
    """The text and the encoding used: the one asked for, a byte order mark, UTF-8, else the likeliest."""
    for signature, what in SIGNATURES:
        if content.startswith(signature):
            raise UnreadableFile(
                f"This is {what}, not a text file: give it its right ending, or save it as CSV."
            )
    if encoding:
        return _strictly(content, encoding)
    for mark, name in ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if content.startswith(mark):
            return _strictly(content, name)
    if b"\x00" in content[:4096]:
        raise UnreadableFile("This is not a text file: it holds zero bytes. Save the sheet as CSV (UTF-8).")
    try:
        return _plain_text(content.decode("utf-8")), "utf-8"
    except UnicodeDecodeError:
        pass
    from charset_normalizer import from_bytes

    likely = from_bytes(content[:100_000], cp_isolation=["cp1252", "cp1250", "mac_roman", "cp437"])
    best = likely.best()
    if best is None:
        raise UnreadableFile(
            "The encoding of this file cannot be told. Save it as CSV (UTF-8) and send it again."
        )
    # Where several fit equally well, the one most offices here write.
    fitting = {
        name
        for one in likely
        if one.chaos <= best.chaos
        for name in (one.encoding, *one.could_be_from_charset)
    }
    if "cp1252" in fitting:
        return _strictly(content, "cp1252")
    return _strictly(content, best.encoding)


def _strictly(content: bytes, encoding: str) -> tuple[str, str]:
    try:
        return _plain_text(content.decode(encoding)), encoding
    except LookupError as error:
        raise UnreadableFile(f"There is no encoding '{encoding}': try utf-8, cp1252 or utf-16.") from error
    except UnicodeError as error:
        raise UnreadableFile(f"The file is not {encoding} throughout. Save it as CSV (UTF-8).") from error


def _plain_text(text: str) -> str:
    sample = text[:20_000]
    controls = sum(1 for character in sample if ord(character) < 32 and character not in "\t\n\r\f\v")
    if controls > len(sample) / 200:
        raise UnreadableFile(
            "This is not a text file, whatever its name says. Save the sheet as CSV (UTF-8)."
        )
    return text


def find_delimiter(text: str) -> str:
    """The separator that cuts the first rows into the most even columns."""
    lines = [line for line in text[:65_536].splitlines() if line.strip()][:30]
    best, best_score = ",", 0.0
    for delimiter in ",;\t|":
        try:
            widths = [len(row) for row in csv.reader(lines, delimiter=delimiter) if row]
        except csv.Error:
            continue
        usual = max(set(widths), key=widths.count) if widths else 1
        score = usual * widths.count(usual) / max(1, len(widths)) if usual > 1 else 0.0
        if score > best_score:
            best, best_score = delimiter, score
    return best


def _csv_rows(text: str, delimiter: str) -> Iterator[list[Cell]]:
    csv.field_size_limit(100_000)
    _check_lines(text)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    number, cells = 0, 0
    try:
        for number, row in enumerate(reader, start=1):
            cells += len(row)
            if number > MAX_ROWS or cells > MAX_CELLS:
                _check_size(number, cells)
            if len(row) > MAX_COLUMNS:
                if any(cell.strip() for cell in row[MAX_COLUMNS:]):
                    raise UnreadableFile(
                        f"Row {number} has {len(row):,} columns; at most {MAX_COLUMNS} can be read."
                    )
                del row[MAX_COLUMNS:]
            yield row  # type: ignore[misc]
    except csv.Error as error:
        raise UnreadableFile(f"Row {number + 1} cannot be read as CSV: {error}.") from error


def _check_lines(text: str) -> None:
    if max(map(len, io.StringIO(text, newline="")), default=0) <= MAX_LINE:
        return
    for number, line in enumerate(io.StringIO(text, newline=""), start=1):
        if len(line) > MAX_LINE:
            columns = line.count(",") + line.count(";") + line.count("\t") + 1
            raise UnreadableFile(
                f"Line {number} is {len(line):,} characters long with about {columns:,} columns; "
                f"at most {MAX_COLUMNS} columns can be read."
            )


def _check_size(rows: int, cells: int) -> None:
    if rows > MAX_ROWS:
        raise UnreadableFile(f"The sheet has more than {MAX_ROWS:,} rows. Send it in parts.")
    if cells > MAX_CELLS:
        raise UnreadableFile(f"The sheet has more than {MAX_CELLS:,} cells. Send it in parts.")


def _packed(content: bytes, suffix: str) -> list[tuple[str, list[list[Cell]]]]:
    import python_calamine

    measure(content, suffix)
    try:
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(content))
        return [(name, _grid(book.get_sheet_by_name(name))) for name in book.sheet_names]
    except python_calamine.PasswordError as error:
        raise UnreadableFile("The workbook is locked with a password. Save it without one.") from error
    except (python_calamine.CalamineError, ValueError, OSError) as error:
        if isinstance(error, UnreadableFile):
            raise
        raise UnreadableFile(f"The workbook is damaged and cannot be read ({error}).") from error


def _grid(sheet: object) -> list[list[Cell]]:
    rows, columns = sheet.total_height, sheet.total_width  # type: ignore[attr-defined]
    if columns > MAX_COLUMNS * 5:
        raise UnreadableFile(f"The sheet has {columns:,} columns; at most {MAX_COLUMNS} can be read.")
    _check_size(rows, rows * min(columns, MAX_COLUMNS))
    grid: list[list[Cell]] = sheet.to_python(skip_empty_area=False)  # type: ignore[attr-defined]
    if columns > MAX_COLUMNS:
        for number, row in enumerate(grid, start=1):
            if any(cell != "" for cell in row[MAX_COLUMNS:]):
                raise UnreadableFile(
                    f"Row {number} has {columns:,} columns; at most {MAX_COLUMNS} can be read."
                )
            del row[MAX_COLUMNS:]
    return grid


def _sheet(name: str, grid: list[list[Cell]]) -> Sheet | None:
    """Find the heading row: the row near the top with the most known headings, else the first with two cells."""
    best, best_known = -1, 0
    for index, row in enumerate(grid[:HEADING_SEARCH_ROWS]):
        texts = [str(cell).strip() for cell in row if isinstance(cell, str) and cell.strip()]
        known = known_headings(texts)
        if known > best_known or (best < 0 and len(texts) >= 2):
            best, best_known = index, known
    if best < 0:
        return None
    headings, seen = [], dict[str, int]()
    for cell in grid[best]:
        text = " ".join(str(cell).split()) if cell is not None else ""
        seen[text] = seen.get(text, 0) + 1
        headings.append(f"{text} ({seen[text]})" if text and seen[text] > 1 else text)
    while headings and not headings[-1]:
        headings.pop()
    rows = grid[best + 1 :]
    while rows and not any(cell not in (None, "") for cell in rows[-1]):
        rows.pop()
    return Sheet(name, headings, best + 1, rows)
