"""What each heater costs to replace under a cost book, and how each price was come by. No rows change here."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any, Protocol

from fleet.heaters.models import Kind
from fleet.pages.typed_numbers import amount_of

HIGHEST_PRICE = Decimal("9999999.99")


class Line(Protocol):
    kind: str
    capacity_from_gal: float
    capacity_to_gal: float | None
    planned_cost: Decimal
    emergency_cost: Decimal
    status: str


class CostBookRefused(ValueError):
    """Prices that cannot be used or saved; `problems` says each in words."""

    def __init__(self, problems: Sequence[str]) -> None:
        super().__init__(" ".join(problems))
        self.problems = list(problems)


@dataclass(frozen=True)
class PriceStep:
    """Prices from a day on, per heater, and the kind that goes in then."""

    from_day: date
    planned: list[Decimal]
    emergency: list[Decimal]
    going_in: list[str]


@dataclass(frozen=True)
class Pricing:
    """Per heater, in the order asked, and how many prices stand on which ground.

    `planned` and `emergency` are those of today; `steps` hold them from each day on which a rule changes what goes
    in, the first from today, and are empty where no rule does.
    """

    planned: list[Decimal]
    emergency: list[Decimal]
    status_counts: dict[str, int] = field(default_factory=dict)
    size_assumed: int = 0
    made_of: list[dict[str, Any]] = field(default_factory=list)
    steps: list[PriceStep] = field(default_factory=list)

    def step_on(self, day: date) -> int:
        """The place of the step in force on a day."""
        return max((at for at, step in enumerate(self.steps) if step.from_day <= day), default=0)


def kind_words(kind: str) -> str:
    return str(Kind(kind).label) if kind in Kind.values else kind


def price_heaters(
    lines: Iterable[Line], kinds: Sequence[str], capacities_gal: Sequence[float | None]
) -> Pricing:
    """The line of each heater's kind and size. A heater of unknown size is priced as the middle one of its kind.

    Raises CostBookRefused naming every kind and size in service that has no price.
    """
    by_kind = lines_by_kind(lines)
    typical = typical_sizes(kinds, capacities_gal)
    planned, emergency, missing, status = [], [], Counter[str](), Counter[str]()
    assumed = 0
    cache: dict[tuple[str, float | None], Line | None] = {}
    for kind, capacity in zip(kinds, capacities_gal, strict=True):
        assumed += capacity is None and len(by_kind.get(kind, ())) > 1
        key = (kind, typical.get(kind) if capacity is None else capacity)
        if key not in cache:
            cache[key] = line_for(by_kind.get(kind, []), key[1])
        if (chosen := cache[key]) is None:
            size = "" if key[1] is None or kind not in by_kind else f" of {key[1]:g} gal"
            missing[f"{kind_words(kind)}{size}"] += 1
            continue
        planned.append(chosen.planned_cost)
        emergency.append(chosen.emergency_cost)
        status[chosen.status] += 1
    if missing:
        raise CostBookRefused(
            [
                f"The cost book has no price for {what}: {count} in service. Add a line for it and run again."
                for what, count in sorted(missing.items())
            ]
        )
    return Pricing(planned, emergency, dict(status), assumed)


def lines_by_kind(lines: Iterable[Line]) -> dict[str, list[Line]]:
    by_kind: dict[str, list[Line]] = {}
    for line in sorted(lines, key=lambda row: (row.kind, row.capacity_from_gal)):
        by_kind.setdefault(line.kind, []).append(line)
    return by_kind


def typical_sizes(kinds: Sequence[str], capacities_gal: Sequence[float | None]) -> dict[str, float]:
    sizes: dict[str, list[float]] = {}
    for kind, capacity in zip(kinds, capacities_gal, strict=True):
        if capacity is not None:
            sizes.setdefault(kind, []).append(capacity)
    return {kind: sorted(found)[len(found) // 2] for kind, found in sizes.items()}


def line_for(lines: Sequence[Line], capacity_gal: float | None) -> Line | None:
    if capacity_gal is None:
        return lines[len(lines) // 2] if lines else None
    for line in lines:
        below = line.capacity_to_gal is None or capacity_gal < line.capacity_to_gal
        if line.capacity_from_gal <= capacity_gal and below:
            return line
    return None


def read_price(value: Any, what: str, column: str, unit: str = "0.01") -> Decimal:
    """A price as typed: `2,700`, `$2700.50`. Raises CostBookRefused naming what is wrong and what would be right."""
    written = str(value).strip()
    price = amount_of(written)
    if price is None:
        raise CostBookRefused(
            [f"{what}, {column}: '{written}' is not an amount of money; write for instance 2700 or 2,700.50."]
        )
    if not price.is_finite() or price < 0:
        raise CostBookRefused([f"{what}, {column}: {written} is below zero; a price is 0 or more."])
    if price > HIGHEST_PRICE:
        raise CostBookRefused(
            [f"{what}, {column}: {written} is above {HIGHEST_PRICE:,}; is it one heater's price?"]
        )
    return price.quantize(Decimal(unit))


def overlaps(lines: Iterable[Line]) -> list[str]:
    """Sizes of one kind that two lines would both price, in words."""
    problems = []
    by_kind: dict[str, list[Line]] = {}
    for line in lines:
        by_kind.setdefault(line.kind, []).append(line)
    for kind, rows in by_kind.items():
        rows.sort(key=lambda row: row.capacity_from_gal)
        for lower, upper in itertools.pairwise(rows):
            if lower.capacity_to_gal is None or lower.capacity_to_gal > upper.capacity_from_gal:
                problems.append(
                    f"{kind_words(kind)}: the line from {lower.capacity_from_gal:g} gal and the line from "
                    f"{upper.capacity_from_gal:g} gal overlap; end the first at {upper.capacity_from_gal:g} gal."
                )
    return problems
