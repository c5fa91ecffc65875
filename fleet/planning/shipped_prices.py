"""The illustrations that stand in for prices until a house has opened a cost book of its own: read, never written here."""

from __future__ import annotations

import csv
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from django.conf import settings

if TYPE_CHECKING:
    from fleet.planning.models import CostBook, CostItem, CostLine

LINES: Path = settings.ROOT / "fixtures" / "cost_book.csv"
ITEMS: Path = settings.ROOT / "fixtures" / "cost_items.csv"


def lines(book: CostBook) -> list[CostLine]:
    """A line a kind and size, none of them stored."""
    from fleet.planning.models import CostLine

    return [
        CostLine(
            organisation_id=book.organisation_id,
            book=book,
            kind=row["kind"],
            capacity_from_gal=float(row["capacity_from_gal"]),
            capacity_to_gal=float(row["capacity_to_gal"]) if row["capacity_to_gal"] else None,
            planned_cost=_cents(row["planned_cost"]),
            emergency_cost=_cents(row["emergency_cost"]),
            status=CostLine.Status.ILLUSTRATION,
            source="; ".join(part for part in (row["source"], row["note"]) if part)[:400],
        )
        for row in sorted(_rows(LINES), key=lambda row: (row["kind"], float(row["capacity_from_gal"])))
    ]


def items(book: CostBook) -> list[CostItem]:
    """The other prices, none of them stored."""
    from fleet.planning.models import CostItem

    return [
        CostItem(
            organisation_id=book.organisation_id,
            book=book,
            item=row["item"],
            amount=_fine(row["amount"]),
            share=_fine(row["share"]),
            status=row["status"],
            source=row["source"][:400],
        )
        for row in _rows(ITEMS)
    ]


def _cents(written: str) -> Decimal:
    return Decimal(written).quantize(Decimal("0.01"))


def _fine(written: str) -> Decimal | None:
    return Decimal(written).quantize(Decimal("0.0001")) if written else None


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))
