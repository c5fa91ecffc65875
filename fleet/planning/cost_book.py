"""The verbs of the cost book: dated versions of prices, each change with its history."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from django.core.exceptions import PermissionDenied
from django.db import transaction

from fleet.estate.calendar import today_of
from fleet.estate.history import Change, record_change, record_changes
from fleet.estate.models import Organisation, Property
from fleet.estate.scope import current_scope
from fleet.heaters.models import Kind
from fleet.planning.cost_items import ITEM_FIELDS, ItemEntry, save_cost_items
from fleet.planning.models import CostBook, CostItem, CostLine
from fleet.planning.prices import CostBookRefused, kind_words, overlaps, read_price

LINE_FIELDS = (
    "kind",
    "capacity_from_gal",
    "capacity_to_gal",
    "planned_cost",
    "emergency_cost",
    "status",
    "quoted_by",
    "quoted_on",
    "source",
)


def require_whole_organisation(organisation_id: int) -> None:
    """Prices and plans belong to the organisation as a whole; a person of some properties has no part in them."""
    scope = current_scope()
    whole = any(
        reach.organisation_id == organisation_id and reach.property_ids is None for reach in scope.reaches
    )
    if not (whole or scope.everything):
        raise PermissionDenied("Prices and plans are kept for all properties together.")


def cost_book_on(organisation_id: int, day: date) -> CostBook | None:
    """The version valid on that day; before the first version, the first."""
    books = CostBook.objects.filter(organisation_id=organisation_id)
    return books.filter(valid_from__lte=day).first() or books.order_by("valid_from").first()


def cost_book_shown(organisation: Organisation, today: date | None = None) -> CostBook:
    """The cost book in force, for reading. Before anybody opened one: the shipped illustrations, not stored."""
    require_whole_organisation(organisation.pk)
    day = today or today_of(organisation)
    if book := cost_book_on(organisation.pk, day):
        return book
    currency = Property.objects.filter(organisation=organisation).values_list("currency", flat=True).first()
    return CostBook(
        organisation=organisation, valid_from=day, currency=currency or "USD", growth_sd=Decimal("0.01")
    )


@transaction.atomic
def ensure_cost_book(organisation: Organisation, today: date | None = None) -> CostBook:
    """The cost book in force; the shipped illustrations become the first one."""
    book = cost_book_shown(organisation, today)
    if not book.pk:  # two who open it at the same moment wait for each other here
        Organisation.objects.select_for_update().get(pk=organisation.pk)
        book = cost_book_shown(organisation, today)
    if book.pk:
        return book
    lines, items = book.price_lines(), book.other_prices()
    book.save()
    CostLine.objects.bulk_create(lines)
    CostItem.objects.bulk_create(items)
    record_change(
        book, "opened with shipped illustrations", {"lines": (0, len(lines)), "items": (0, len(items))}
    )
    return book


@dataclass(frozen=True)
class CostEntry:
    """One line as a person typed it: `line_id` None for a new line."""

    line_id: int | None
    kind: str
    planned_cost: Any
    emergency_cost: Any
    capacity_from_gal: float = 0.0
    capacity_to_gal: float | None = None
    status: str = CostLine.Status.ENTERED
    quoted_by: str = ""
    quoted_on: date | None = None
    source: str = ""


@transaction.atomic
def save_cost_lines(
    organisation: Organisation, entries: Sequence[CostEntry], reason: str = "", today: date | None = None
) -> CostBook:
    """Save changed and new lines into today's version of the cost book; all of them, or none and CostBookRefused.

    A version of an earlier day is kept as it was: its lines are first copied into a version of today.
    """
    day = today or today_of(organisation)
    current = ensure_cost_book(organisation, day)
    known = {line.pk: line for line in current.lines.all()}
    wanted, problems = _read_entries(entries, known)
    if problems:
        raise CostBookRefused(problems)
    wanted = [(entry, values) for entry, values in wanted if _differs(known.get(entry.line_id or 0), values)]
    if not wanted:
        return current
    book, renamed = version_of_today(current, day)
    lines = {line.pk: line for line in book.lines.select_for_update()}
    changes: list[Change] = []
    for entry, values in wanted:
        if entry.line_id is None:
            line = CostLine.objects.create(organisation=organisation, book=book, **values)
            lines[line.pk] = line
            changes.append(
                Change(line, "added", {name: (None, _plain(values[name])) for name in values}, reason)
            )
            continue
        line = lines[renamed[entry.line_id]]
        before = {name: getattr(line, name) for name in LINE_FIELDS}
        changed = {
            name: (_plain(before[name]), _plain(values[name]))
            for name in values
            if before[name] != values[name]
        }
        if changed:
            for name in changed:
                setattr(line, name, values[name])
            line.save()
            changes.append(Change(line, "changed", changed, reason))
    if clashes := overlaps(lines.values()):
        raise CostBookRefused(clashes)
    record_changes(changes)
    return book


def _differs(line: CostLine | None, values: dict[str, Any]) -> bool:
    return line is None or any(getattr(line, name) != value for name, value in values.items())


def _plain(value: Any) -> Any:
    return str(value) if isinstance(value, Decimal | date) else value


def _read_entries(
    entries: Sequence[CostEntry], known: dict[int, CostLine]
) -> tuple[list[tuple[CostEntry, dict[str, Any]]], list[str]]:
    wanted: list[tuple[CostEntry, dict[str, Any]]] = []
    problems: list[str] = []
    for entry in entries:
        try:
            if entry.line_id is not None and entry.line_id not in known:
                raise CostBookRefused(
                    [f"There is no line {entry.line_id} in the cost book; open the page again."]
                )
            wanted.append((entry, checked_entry(entry)))
        except CostBookRefused as refusal:
            problems += refusal.problems
    return wanted, problems


def checked_entry(entry: CostEntry) -> dict[str, Any]:
    what = f"{kind_words(entry.kind)} from {entry.capacity_from_gal:g} gal"
    problems: list[str] = []
    if entry.kind not in Kind.values:
        problems.append(f"'{entry.kind}' is not a kind of heater; use one of: {', '.join(Kind.values)}.")
    if entry.status not in CostLine.Status.values:
        problems.append(
            f"{what}, status: '{entry.status}' is not one of: {', '.join(CostLine.Status.values)}."
        )
    if entry.status == CostLine.Status.QUOTED and not (entry.quoted_by and entry.quoted_on):
        problems.append(f"{what}: a quoted price needs who quoted it and on which day.")
    if entry.capacity_from_gal < 0:
        problems.append(f"{what}: a size is 0 gal or more.")
    if entry.capacity_to_gal is not None and entry.capacity_to_gal <= entry.capacity_from_gal:
        problems.append(f"{what}: the upper size {entry.capacity_to_gal:g} gal must be above the lower one.")
    values: dict[str, Any] = {name: getattr(entry, name) for name in LINE_FIELDS}
    for column in ("planned_cost", "emergency_cost"):
        try:
            values[column] = read_price(getattr(entry, column), what, column.replace("_cost", " price"))
        except CostBookRefused as refusal:
            problems += refusal.problems
    if problems:
        raise CostBookRefused(problems)
    return values


def version_of_today(current: CostBook, day: date) -> tuple[CostBook, dict[int, int]]:
    """Today's version and where each line of the current one is found in it."""
    lines = list(current.lines.all())
    if current.valid_from >= day:
        return current, {line.pk: line.pk for line in lines}
    names = ("organisation_id", "currency", "growth_mean", "growth_sd", "discount_rate", "growth_status")
    book = CostBook.objects.create(valid_from=day, **{name: getattr(current, name) for name in names})
    renamed = {}
    for line in lines:
        values = {name: getattr(line, name) for name in LINE_FIELDS}
        copy = CostLine.objects.create(organisation_id=book.organisation_id, book=book, **values)
        renamed[line.pk] = copy.pk
    for item in current.items.all():
        values = {name: getattr(item, name) for name in ITEM_FIELDS}
        CostItem.objects.create(organisation_id=book.organisation_id, book=book, **values)
    record_change(book, "new version", {"valid_from": (str(current.valid_from), str(day))})
    return book, renamed


@transaction.atomic
def save_price_growth(
    organisation: Organisation,
    growth_mean: Decimal,
    growth_sd: Decimal,
    discount_rate: Decimal,
    reason: str = "",
    today: date | None = None,
) -> CostBook:
    """Yearly price growth and its uncertainty, and the discount rate, as fractions (0.03 = 3 % a year)."""
    problems = [
        f"{words}: {value} is not possible; give a yearly rate from {low} to 0.5, for instance 0.03 for 3 %."
        for words, value, low in (
            ("Yearly price growth", growth_mean, "-0.5"),
            ("Uncertainty of the growth", growth_sd, "0"),
            ("Discount rate", discount_rate, "-0.5"),
        )
        if not (value.is_finite() and Decimal(low) <= value <= Decimal("0.5"))
    ]
    if problems:
        raise CostBookRefused(problems)
    day = today or today_of(organisation)
    current = ensure_cost_book(organisation, day)
    after = {"growth_mean": growth_mean, "growth_sd": growth_sd, "discount_rate": discount_rate}
    changed = {
        name: (str(getattr(current, name)), str(value))
        for name, value in after.items()
        if getattr(current, name) != value
    }
    if not changed:
        return current
    book, _ = version_of_today(current, day)
    for name, value in after.items():
        setattr(book, name, value)
    book.growth_status = "entered"
    book.save()
    record_change(book, "changed", changed, reason)
    return book


@transaction.atomic
def save_prices(
    organisation: Organisation,
    entries: Sequence[CostEntry],
    growth: dict[str, Decimal],
    reason: str = "",
    items: Sequence[ItemEntry] = (),
) -> CostBook:
    """The whole page at once: heaters' prices, the other items and growth, all or none."""
    problems: list[str] = []
    book = ensure_cost_book(organisation)
    for save, wanted in ((save_cost_lines, entries), (save_cost_items, items)):
        try:
            book = save(organisation, wanted, reason)  # type: ignore[arg-type]
        except CostBookRefused as refusal:
            problems += refusal.problems
    if problems:
        raise CostBookRefused(problems)
    if growth:
        kept = {name: getattr(book, name) for name in ("growth_mean", "growth_sd", "discount_rate")}
        book = save_price_growth(organisation, **(kept | growth), reason=reason)
    return book
