"""The cost book page's other prices: what is shown, and what was typed as entries for the verb."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from fleet.pages.typed_numbers import grouped, read_as, same
from fleet.planning.cost_items import ItemEntry
from fleet.planning.models import CostBook, CostItem, CostLine
from fleet.planning.price_items import ITEMS, Item


@dataclass(frozen=True)
class Shown:
    item: Item
    amount: str
    share: str
    status: str
    quoted_by: str
    quoted_on: str
    source: str


def _number(value: Decimal | None, times: int = 1) -> str:
    if value is None:
        return ""
    return grouped(value * times, 2 if times == 1 else 0)


def _kept(item: Item, row: CostItem | None) -> Shown:
    if row is None:
        return Shown(item, "", "", CostLine.Status.ENTERED, "", "", "")
    day = "" if row.quoted_on is None else str(row.quoted_on)
    return Shown(
        item, _number(row.amount), _number(row.share, 100), row.status, row.quoted_by, day, row.source
    )


def items_shown(book: CostBook, typed: Mapping[str, Any] | None = None) -> list[Shown]:
    """Every item of the book; what was typed stays on the page beside the problems."""
    rows = {row.item: row for row in book.other_prices()}
    shown = [_kept(item, rows.get(item.key)) for item in ITEMS]
    if typed is None:
        return shown
    return [
        Shown(
            one.item,
            typed.get(f"amount_{one.item.key}", one.amount),
            typed.get(f"share_{one.item.key}", one.share),
            typed.get(f"ground_{one.item.key}", one.status),
            typed.get(f"by_{one.item.key}", one.quoted_by),
            typed.get(f"on_{one.item.key}", one.quoted_on),
            one.source,
        )
        for one in shown
    ]


def item_entries(book: CostBook, posted: Mapping[str, Any]) -> tuple[list[ItemEntry], list[str]]:
    """Changed items only. A changed figure without a new ground is the person's own, no illustration any more."""
    entries, problems = [], []
    for kept, now in zip(items_shown(book), items_shown(book, posted), strict=True):
        if kept == now:
            continue
        touched = not (same(kept.amount, now.amount) and same(kept.share, now.share))
        illustration = touched and now.status == CostLine.Status.ILLUSTRATION
        quoted_on, bad_day = read_day(now.quoted_on, kept.item.words)
        problems += bad_day
        entries.append(
            ItemEntry(
                kept.item.key,
                now.amount,
                f"{now.share.rstrip('% ')} %" if now.share.strip() else "",
                CostLine.Status.ENTERED if illustration else now.status,
                now.quoted_by.strip(),
                quoted_on,
                "" if touched else kept.source,
            )
        )
    return entries, problems


def shares_read_as(book: CostBook, posted: Mapping[str, Any]) -> list[str]:
    """What small shares that were newly typed without a per cent sign were read as."""
    pairs = zip(items_shown(book), items_shown(book, posted), strict=True)
    said = [read_as(kept.item.words, now.share) for kept, now in pairs if not same(kept.share, now.share)]
    return [words for words in said if words]


def read_day(written: str, what: str) -> tuple[date | None, list[str]]:
    if not written.strip():
        return None, []
    try:
        return date.fromisoformat(written.strip()), []
    except ValueError:
        return None, [f"{what}, quoted on: '{written}' is not a day; write it as 2026-11-25."]
