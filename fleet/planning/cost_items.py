"""The verbs of the cost book's other prices: permit, code work, damage, energy. Saved into dated versions too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, InvalidOperation
from typing import Any

from django.db import transaction

from fleet.estate.calendar import today_of
from fleet.estate.history import Change, record_changes
from fleet.estate.models import Organisation
from fleet.planning.models import CostBook, CostItem, CostLine
from fleet.planning.price_items import ITEM_OF
from fleet.planning.prices import CostBookRefused, read_price

ITEM_FIELDS = ("item", "amount", "share", "status", "quoted_by", "quoted_on", "source")


@dataclass(frozen=True)
class ItemEntry:
    """One item as a person typed it: amount in money, share as '40 %' or 0.4; None or "" for none."""

    item: str
    amount: Any = None
    share: Any = None
    status: str = CostLine.Status.ENTERED
    quoted_by: str = ""
    quoted_on: date | None = None
    source: str = ""


def read_share(value: Any, what: str) -> Decimal | None:
    """A share as typed: 0.4, 40 %, 40. Raises CostBookRefused naming what would be right."""
    written = str(value if value is not None else "").strip()
    if not written:
        return None
    try:
        share = Decimal(written.rstrip("% "))
    except InvalidOperation:
        raise CostBookRefused(
            [f"{what}, share: '{written}' is not a share; write for instance 40 % or 0.4."]
        ) from None
    if written.endswith("%") or share > 1:
        share /= 100
    if not share.is_finite() or not 0 <= share <= 1:
        raise CostBookRefused([f"{what}, share: {written} is not between 0 and 100 %."])
    return share.quantize(Decimal("0.0001"))


def checked_item(entry: ItemEntry) -> dict[str, Any]:
    """The fields to store. Raises CostBookRefused naming item, column, value and what would be right."""
    if entry.item not in ITEM_OF:
        raise CostBookRefused(
            [f"'{entry.item}' is not an item of the cost book; use one of: {', '.join(ITEM_OF)}."]
        )
    known = ITEM_OF[entry.item]
    problems: list[str] = []
    values: dict[str, Any] = {name: getattr(entry, name) for name in ITEM_FIELDS} | {
        "amount": None,
        "share": None,
    }
    written = str(entry.amount if entry.amount is not None else "").strip()
    try:
        if written and not known.unit:
            problems.append(f"{known.words}: has no amount, only a share; leave '{written}' out.")
        elif known.unit:
            cent = "0.0001" if known.group == "Energy" else "0.01"
            values["amount"] = read_price(written, known.words, "amount", cent)
    except CostBookRefused as refusal:
        problems += refusal.problems
    try:
        values["share"] = read_share(entry.share, known.words) if known.share else None
        if known.share and values["share"] is None:
            problems.append(f"{known.words}, share: is empty; give a share {known.share}, for instance 40 %.")
    except CostBookRefused as refusal:
        problems += refusal.problems
    if entry.status not in CostLine.Status.values:
        problems.append(
            f"{known.words}, ground: '{entry.status}' is not one of: {', '.join(CostLine.Status.values)}."
        )
    if entry.status == CostLine.Status.QUOTED and not (entry.quoted_by and entry.quoted_on):
        problems.append(f"{known.words}: a quoted price needs who quoted it and on which day.")
    if problems:
        raise CostBookRefused(problems)
    return values


@transaction.atomic
def save_cost_items(
    organisation: Organisation, entries: Sequence[ItemEntry], reason: str = "", today: date | None = None
) -> CostBook:
    """Save items into today's version of the cost book; all of them, or none and CostBookRefused."""
    from fleet.planning.cost_book import ensure_cost_book, version_of_today

    day = today or today_of(organisation)
    current = ensure_cost_book(organisation, day)
    wanted, problems = [], []
    for entry in entries:
        try:
            wanted.append(checked_item(entry))
        except CostBookRefused as refusal:
            problems += refusal.problems
    if problems:
        raise CostBookRefused(problems)
    known = {row.item: row for row in current.items.all()}
    wanted = [
        values
        for values in wanted
        if (row := known.get(values["item"])) is None
        or any(getattr(row, name) != values[name] for name in ITEM_FIELDS)
    ]
    if not wanted:
        return current
    book, _ = version_of_today(current, day)
    rows = {row.item: row for row in book.items.select_for_update()}
    changes: list[Change] = []
    for values in wanted:
        row = rows.get(values["item"]) or CostItem(organisation=organisation, book=book, item=values["item"])
        before = {name: getattr(row, name) for name in ITEM_FIELDS}
        for name, value in values.items():
            setattr(row, name, value)
        verb = "changed" if row.pk else "added"
        row.save()
        changed = {
            name: (_plain(before[name]), _plain(values[name]))
            for name in values
            if before[name] != values[name]
        }
        changes.append(Change(row, verb, changed, reason))
    record_changes(changes)
    return book


def _plain(value: Any) -> Any:
    return str(value) if isinstance(value, Decimal | date) else value
