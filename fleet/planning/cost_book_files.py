"""The cost book as a file, out and in: one row a price, headings of our own, refusals by row.

Sending back an exported file unchanged changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal, InvalidOperation
from typing import Any

from django.db import transaction

from fleet.estate.models import Organisation
from fleet.heaters import csv_answer
from fleet.heaters.exporting import restored
from fleet.heaters.workbook import Sheet, open_workbook
from fleet.heaters.workbook_answer import workbook_of
from fleet.planning.cost_book import CostEntry, ensure_cost_book, save_cost_lines, save_price_growth
from fleet.planning.cost_items import ItemEntry, checked_item, save_cost_items
from fleet.planning.models import CostBook
from fleet.planning.price_items import ITEMS
from fleet.planning.prices import CostBookRefused

HEADINGS = (
    "price of", "from_gal", "below_gal", "planned", "emergency", "amount", "share", "ground", "quoted_by",
    "quoted_on", "source",
)  # fmt: skip
RATES = {
    "yearly price growth": "growth_mean",
    "uncertainty of the growth": "growth_sd",
    "discount rate": "discount_rate",
}


@dataclass(frozen=True)
class RefusedRow:
    """One row that was not taken, as the user's spreadsheet numbers it, and why."""

    sheet: str
    row: int
    cells: tuple[str, ...]
    why: str


@dataclass
class Taken:
    lines: int = 0
    items: int = 0
    rates: int = 0
    refused: list[RefusedRow] = field(default_factory=list)

    @property
    def count(self) -> int:
        return self.lines + self.items + self.rates


class FileRefused(CostBookRefused):
    """Rows of a file that cannot be taken; `refused` holds each with its place."""

    def __init__(self, refused: list[RefusedRow]) -> None:
        super().__init__([f"{one.sheet}, row {one.row}: {one.why}" for one in refused])
        self.refused = refused


def book_rows(book: CostBook) -> Iterator[list[Any]]:
    for line in book.price_lines():
        upper = "" if line.capacity_to_gal is None else line.capacity_to_gal
        yield [
            line.kind, line.capacity_from_gal, upper, line.planned_cost, line.emergency_cost, "", "", line.status,
            line.quoted_by, _day_out(line.quoted_on), line.source,
        ]  # fmt: skip
    for item in book.other_prices():
        amount = "" if item.amount is None else item.amount
        share = "" if item.share is None else item.share
        yield [
            item.item, "", "", "", "", amount, share, item.status, item.quoted_by, _day_out(item.quoted_on),
            item.source,
        ]  # fmt: skip
    for words, name in RATES.items():
        yield [words, "", "", "", "", "", getattr(book, name), book.growth_status, "", "", ""]


def _day_out(day: date | None) -> str:
    return "" if day is None else str(day)


def csv_text(rows: Iterator[list[Any]] | list[list[Any]], headings: tuple[str, ...] = HEADINGS) -> str:
    return csv_answer.csv_text([headings, *rows])


def workbook(book: CostBook) -> bytes:
    return workbook_of([("cost book", HEADINGS, book_rows(book))])


def refused_csv(refused: list[RefusedRow]) -> str:
    """The refused rows with the reason behind them: mend and send again."""
    rows = [[*row.cells, f"row {row.row}: {row.why}"] for row in refused]
    return csv_text(rows, (*HEADINGS, "why it was refused"))


@dataclass
class _Read:
    lines: list[CostEntry] = field(default_factory=list)
    items: list[ItemEntry] = field(default_factory=list)
    rates: dict[str, Decimal] = field(default_factory=dict)
    refused: list[RefusedRow] = field(default_factory=list)


def read_prices(content: bytes, file_name: str) -> _Read:
    """Rows of the file as entries. Raises UnreadableFile, or CostBookRefused when no sheet has our headings."""
    found = _Read()
    seen: set[tuple[str, str]] = set()
    fitting = 0
    for sheet in open_workbook(content, file_name).sheets:
        names = [str(name).strip().casefold() for name in sheet.headings]
        if "price of" not in names or not {"amount", "planned", "share"} & set(names):
            continue
        fitting += 1
        _read_sheet(sheet, names, found, seen)
    if not fitting:
        raise CostBookRefused(
            [
                f"No sheet has the headings of a cost book; they are: {', '.join(HEADINGS)}. Export one to begin with."
            ]
        )
    return found


def _read_sheet(sheet: Sheet, names: list[str], found: _Read, seen: set[tuple[str, str]]) -> None:
    for index, row in enumerate(sheet.rows):
        cells = {name: _text(cell) for name, cell in zip(names, row, strict=False)}
        what = cells.get("price of", "").casefold()
        if not any(cells.values()):
            continue
        try:
            key = (what, cells.get("from_gal", ""))
            if key in seen:
                raise CostBookRefused([f"'{what}' stands in the file twice; leave one of them out."])
            _read_row(what, cells, found)
            seen.add(key)
        except CostBookRefused as refusal:
            kept = tuple(cells.get(name, "") for name in HEADINGS)
            found.refused.append(
                RefusedRow(sheet.name, sheet.row_number(index), kept, " ".join(refusal.problems))
            )


def _text(cell: Any) -> str:
    if cell is None:
        return ""
    if isinstance(cell, datetime | date):
        return cell.isoformat()[:10]
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return restored(str(cell).strip())


def _read_row(what: str, cells: dict[str, str], found: _Read) -> None:
    ground: dict[str, Any] = {
        "status": cells.get("ground", "").casefold() or "entered",
        "quoted_by": cells.get("quoted_by", ""),
        "quoted_on": _day(cells.get("quoted_on", "")),
        "source": cells.get("source", "")[:400],
    }
    if what in RATES:
        found.rates[RATES[what]] = _rate(cells.get("share", ""), what)
    elif what in {item.key for item in ITEMS}:
        entry = ItemEntry(what, cells.get("amount", ""), cells.get("share", ""), **ground)
        checked_item(entry)
        found.items.append(entry)
    else:
        from fleet.planning.cost_book import checked_entry

        upper = cells.get("below_gal", "")
        line = CostEntry(
            None,
            what.replace(" ", "_"),
            cells.get("planned", ""),
            cells.get("emergency", ""),
            _gallons(cells.get("from_gal", "") or "0", "from_gal"),
            _gallons(upper, "below_gal") if upper else None,
            **ground,
        )
        checked_entry(line)
        found.lines.append(line)


def _gallons(written: str, column: str) -> float:
    try:
        size = Decimal(written)
    except InvalidOperation:
        size = Decimal("NaN")
    if not size.is_finite():
        raise CostBookRefused([f"{column}: '{written}' is not a number of gallons; write for instance 40."])
    return float(size)


def _day(written: str) -> date | None:
    if not written:
        return None
    try:
        return date.fromisoformat(written)
    except ValueError:
        raise CostBookRefused([f"quoted_on: '{written}' is not a day; write it as 2026-11-25."]) from None


def _rate(written: str, what: str) -> Decimal:
    try:
        rate = Decimal(written.rstrip("% "))
    except InvalidOperation:
        raise CostBookRefused(
            [f"{what}, share: '{written}' is not a yearly rate; write 3 % or 0.03."]
        ) from None
    return rate / 100 if written.rstrip().endswith("%") else rate


@transaction.atomic
def import_prices(
    organisation: Organisation,
    content: bytes,
    file_name: str,
    take_good: bool = False,
    today: date | None = None,
) -> Taken:
    """Take prices from a file into today's version of the cost book.

    A refused row refuses the whole file (FileRefused) unless `take_good`, which takes the rest. A line is known
    again by kind and lower size, an item by its name.
    """
    found = read_prices(content, file_name)
    if found.refused and not take_good:
        raise FileRefused(found.refused)
    taken = Taken(refused=found.refused)
    book = ensure_cost_book(organisation, today)
    known = {(line.kind, line.capacity_from_gal): line.pk for line in book.lines.all()}
    reason = f"from the file {file_name}"[:200]
    lines = [
        CostEntry(
            known.get((line.kind, line.capacity_from_gal)),
            *(
                getattr(line, name)
                for name in (
                    "kind", "planned_cost", "emergency_cost", "capacity_from_gal", "capacity_to_gal", "status",
                    "quoted_by", "quoted_on", "source",
                )
            ),
        )
        for line in found.lines
    ]  # fmt: skip
    save_cost_lines(organisation, lines, reason, today)
    book = save_cost_items(organisation, found.items, reason, today)
    if found.rates:
        kept = {name: getattr(book, name) for name in ("growth_mean", "growth_sd", "discount_rate")}
        save_price_growth(organisation, **(kept | found.rates), reason=reason, today=today)
    taken.lines, taken.items, taken.rates = len(lines), len(found.items), len(found.rates)
    return taken
