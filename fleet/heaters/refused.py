"""The refused rows as a file the user can mend and send again: her own columns, and why."""

from __future__ import annotations

import csv
import io
import re
from datetime import date, datetime
from pathlib import Path

from fleet.heaters.headings import REFUSED_BECAUSE, ROW_IN_FILE
from fleet.heaters.importing import Comparison
from fleet.heaters.rows import SheetReading

# A spreadsheet may run a cell that begins with one of these; the apostrophe makes it plain text.
_RUNS = re.compile(r"[=+\-@\t\r\n]")
_NUMBER = re.compile(r"[-+]?\d[\d.,]*")


def refused_files(comparison: Comparison) -> dict[str, str]:
    """Sheet name -> CSV text, for each sheet that has refused rows."""
    return {reading.name: refused_csv(reading) for reading in comparison.readings if reading.refused}


def refused_csv(reading: SheetReading) -> str:
    written = io.StringIO(newline="")
    writer = csv.writer(written)
    ours = (ROW_IN_FILE, REFUSED_BECAUSE)
    kept = [index for index, heading in enumerate(reading.headings) if heading not in ours]
    writer.writerow([*(_safe(reading.headings[index]) for index in kept), *ours])
    for number in sorted(reading.refused):
        cells = reading.refused_cells[number]
        reasons = "; ".join(
            f"{one.column}: {one.problem} (right: {one.right})"
            if one.right
            else f"{one.column}: {one.problem}"
            for one in reading.refused[number]
        )
        own = [_safe(_text(cells[index])) if index < len(cells) else "" for index in kept]
        writer.writerow([*own, number, _safe(reasons)])
    return written.getvalue()


def write_refused(comparison: Comparison, path: Path) -> list[Path]:
    """Write one file, or, where several sheets have refused rows, one a sheet beside each other."""
    files = refused_files(comparison)
    written = []
    for index, (sheet, text) in enumerate(files.items()):
        name = re.sub(r"[^\w-]+", "-", sheet).strip("-")
        target = path if index == 0 else path.with_name(f"{path.stem}-{name}{path.suffix or '.csv'}")
        target.write_text(text, encoding="utf-8-sig", newline="")
        written.append(target)
    return written


def _text(cell: object) -> str:
    if cell is None:
        return ""
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    if isinstance(cell, datetime) and (cell.hour, cell.minute, cell.second) == (0, 0, 0):
        return cell.date().isoformat()
    return cell.isoformat() if isinstance(cell, date) else str(cell)


def _safe(text: str) -> str:
    return f"'{text}" if _RUNS.match(text) and not _NUMBER.fullmatch(text) else text
