"""The company's own costs: shipped as illustrations, saved as versions, read as rates for pricing."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from django.conf import settings
from django.db import transaction

from fleet.care.kinds import task_kinds
from fleet.contracts.models import CompanyBook, CompanyPrice
from fleet.estate.calendar import today_of
from fleet.estate.history import record_change
from fleet.estate.models import Organisation
from fleet.estate.scope import current_scope
from fleet.heaters.models import Kind
from fleet.pages.typed_numbers import amount_of

if TYPE_CHECKING:
    from forecasting.contract import Rates

TABLE: Path = settings.ROOT / "fixtures" / "company_prices.csv"


@dataclass(frozen=True)
class Item:
    """One figure of the book: what it is called, its unit, and what it can be."""

    name: str
    label: str
    unit: str
    low: Decimal
    high: Decimal
    by: str = ""  # '' for everything, 'kind' of heater, 'task' kind

    def asked_in(self, currency: str) -> str:
        """The unit that people are asked in: of a share, per cent."""
        return "% a year" if self.is_share else self.unit.replace("money", currency)

    @property
    def is_share(self) -> bool:
        return self.unit.startswith("share")

    def shown(self, amount: Decimal) -> Decimal:
        return amount * 100 if self.is_share else amount


D = Decimal
ITEMS: tuple[Item, ...] = (
    Item("labour_hour", "Labour", "money an hour", D(1), D(2000)),
    Item("after_hours_times", "An hour after hours costs", "times a normal one", D(1), D(5)),
    Item("trip", "A trip, beside the hours", "money", D(0), D(5000)),
    Item("trip_hours", "The way there and back", "hours", D(0), D(24)),
    Item("call_hours", "Looking at a failure and making it safe", "hours", D(0), D(24)),
    Item("repair_spread", "Spread of one repair's cost", "times its mean", D(0), D(3)),
    Item("growth_mean", "Own costs grow by", "share a year: 0.03 is 3 %", D(0), D("0.3")),
    Item("growth_sd", "How unsure that is", "share a year: 0.01 is 1 %", D(0), D("0.1")),
    Item("price_growth", "Contract prices grow by", "share a year: 0.03 is 3 %", D(0), D("0.3")),
    Item("repair_hours", "Hours of one repair", "hours", D(0), D(100), "kind"),
    Item("repair_materials", "Materials of one repair", "money", D(0), D(50_000), "kind"),
    Item("replacement_hours", "Hours of a replacement", "hours", D(0), D(400), "kind"),
    Item("replacement_materials", "Heater and materials of a replacement", "money", D(0), D(200_000), "kind"),
    Item("care_materials", "Materials of one task", "money", D(0), D(10_000), "task"),
)
BY_NAME = {item.name: item for item in ITEMS}


class BookRefused(ValueError):
    """Figures that cannot be saved; `problems` names each field, its value and what would be right."""

    def __init__(self, problems: Sequence[str]) -> None:
        super().__init__(" ".join(problems))
        self.problems = list(problems)


@cache
def shipped() -> dict[tuple[str, str], tuple[Decimal, str]]:
    with TABLE.open(encoding="utf-8") as handle:
        return {
            (row["item"], row["subject"]): (Decimal(row["amount"]), row["source"])
            for row in csv.DictReader(handle)
        }


def subjects_of(item: Item) -> list[tuple[str, str]]:
    """(code, words) of what an item is told for."""
    if item.by == "kind":
        return [(str(value), str(label)) for value, label in Kind.choices]
    if item.by == "task":
        return [(code, kind.name) for code, kind in task_kinds().items()]
    return [("", "")]


@transaction.atomic
def ensure_book(company: Organisation) -> CompanyBook:
    """The book in use; the first time, one of illustrations."""
    row: CompanyBook | None = CompanyBook.objects.filter(organisation=company).first()
    if row is not None:
        return row
    book: CompanyBook = CompanyBook.objects.create(
        organisation=company, valid_from=today_of(company), saved_by="shipped with the program"
    )
    nothing = (Decimal(0), "no materials assumed")
    CompanyPrice.objects.bulk_create(
        CompanyPrice(
            organisation=company,
            book=book,
            item=item.name,
            subject=subject,
            amount=shipped().get((item.name, subject), nothing)[0],
            status=CompanyPrice.Status.ILLUSTRATION,
            source=shipped().get((item.name, subject), nothing)[1],
        )
        for item in ITEMS
        for subject, _ in subjects_of(item)
    )
    return book


def read_amount(item: Item, subject: str, written: str, currency: str) -> Decimal:
    text = written.strip()
    name = f"{item.label}, {dict(subjects_of(item)).get(subject) or subject}".removesuffix(", ")
    in_percent = item.is_share and text.endswith("%")
    amount = amount_of(text.rstrip("%"))
    if amount is None:
        raise BookRefused([f"{name}: {written!r} is not a number; write for instance 95, 1,200 or 0.75."])
    amount /= 100 if in_percent else 1
    if not amount.is_finite() or not item.low <= amount <= item.high:
        bounds = (
            f"{float(item.shown(item.low)):g} to {float(item.shown(item.high)):g} {item.asked_in(currency)}"
        )
        raise BookRefused([f"{name}: {written} cannot be; {bounds} can."])
    return amount.quantize(Decimal("0.0001"))


@transaction.atomic
def save_book(company: Organisation, written: Mapping[tuple[str, str], str], source: str = "") -> CompanyBook:
    """A new version with the figures that changed marked as entered; nothing changed: the book in use stays.

    Raises BookRefused with every figure that cannot be; then nothing is saved.
    """
    current = ensure_book(company)
    problems, amounts = [], {}
    for (item, subject), text in written.items():
        if item in BY_NAME:
            try:
                amounts[(item, subject)] = read_amount(BY_NAME[item], subject, text, current.currency)
            except BookRefused as refused:
                problems += refused.problems
    if problems:
        raise BookRefused(problems)
    before = {(row.item, row.subject): row for row in current.prices.all()}
    changed = {
        key: amount for key, amount in amounts.items() if key in before and before[key].amount != amount
    }
    if not changed:
        return current
    book: CompanyBook = CompanyBook.objects.create(
        organisation=company,
        currency=current.currency,
        valid_from=today_of(company),
        saved_by=current_scope().actor,
    )
    CompanyPrice.objects.bulk_create(
        CompanyPrice(
            organisation=company,
            book=book,
            item=item,
            subject=subject,
            amount=changed.get((item, subject), row.amount),
            status=CompanyPrice.Status.ENTERED if (item, subject) in changed else row.status,
            source=(source[:300] if (item, subject) in changed else row.source),
        )
        for (item, subject), row in before.items()
    )
    words = {f"{i} {s}".strip(): (str(before[(i, s)].amount), str(a)) for (i, s), a in changed.items()}
    record_change(book, "company prices saved", words, source)
    return book


@dataclass(frozen=True)
class Figures:
    """A book's figures at hand."""

    amounts: dict[tuple[str, str], float]
    illustrations: int

    def of(self, item: str, subject: str = "") -> float:
        return self.amounts.get((item, subject), 0.0)

    @property
    def trip_cost(self) -> float:
        return self.of("trip") + self.of("trip_hours") * self.of("labour_hour")

    def job_cost(self, hours: float, materials: float, after_hours: bool) -> float:
        """What one job cost the company: its hours and the way, materials, and the surcharge after hours."""
        hour = self.of("labour_hour") * (self.of("after_hours_times") if after_hours else 1.0)
        return (hours + self.of("trip_hours")) * hour + self.of("trip") + materials


def figures_of(book: CompanyBook) -> Figures:
    rows = list(book.prices.all())
    amounts = {(row.item, row.subject): float(row.amount) for row in rows}
    return Figures(amounts, sum(row.status == CompanyPrice.Status.ILLUSTRATION for row in rows))


def rates_for(figures: Figures, kinds: Sequence[str]) -> Rates:
    """The book as the pricing reads it, one entry a heater."""
    import numpy as np

    from forecasting.contract import Rates

    def column(item: str) -> np.ndarray:
        return np.array([figures.of(item, kind) for kind in kinds], dtype=float)

    hours = column("replacement_hours")
    return Rates(
        labour_per_hour=figures.of("labour_hour"),
        after_hours_times=figures.of("after_hours_times"),
        trip=figures.of("trip"),
        trip_hours=figures.of("trip_hours"),
        repair_hours=column("repair_hours"),
        repair_materials=column("repair_materials"),
        repair_spread=figures.of("repair_spread"),
        call_hours=figures.of("call_hours"),
        replacement=column("replacement_materials") + hours * figures.of("labour_hour"),
        replacement_hours=hours,
        growth_mean=figures.of("growth_mean"),
        growth_sd=figures.of("growth_sd"),
    )
