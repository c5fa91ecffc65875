"""What replacing each heater costs, in its parts: heater, permit, access, code work, and damage if it fails first.

A part that the record leaves open counts by its assumed share and is marked so. Expected money, whole cents:
the parts of a heater sum to its price. No rows change here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from operator import attrgetter
from typing import Any

from fleet.heaters.models import TANKLESS, Heater
from fleet.planning.code_work import Place, both, stored_hot, work_due
from fleet.planning.models import CostBook
from fleet.planning.price_items import ITEM_OF
from fleet.planning.prices import (
    CostBookRefused,
    Line,
    PriceStep,
    Pricing,
    kind_words,
    line_for,
    lines_by_kind,
    typical_sizes,
)
from fleet.planning.successors import Rule, conversion_work, going_in, rules_of, turning_days

CENT = Decimal("0.01")
ALWAYS = ("permit", "haul_away")
_PLACE_FIELDS = {
    "kind": "kind",
    "capacity_gal": "capacity_gal",
    "setpoint_f": "setpoint_f",
    "fuel": "fuel",
    "property_id": "position__building__property_id",
} | {
    name: f"position__{name}"
    for name in (
        "below",
        "has_pan",
        "has_drain",
        "has_leak_alarm",
        "closed_system",
        "has_expansion_tank",
        "seismic_zone",
        "hard_access",
        "has_mixing_valve",
        "has_sediment_trap",
        "has_seismic_straps",
        "vent_lined",
        "has_240v_circuit",
    )
}


@dataclass(frozen=True)
class Part:
    """One part of a price: `due` None means that the record does not say and `amount` is an assumed share of it."""

    item: str
    amount: Decimal
    due: bool | None
    status: str

    @property
    def words(self) -> str:
        return ITEM_OF[self.item].words if self.item in ITEM_OF else self.item


@dataclass(frozen=True)
class Quote:
    """What one heater costs to replace: planned, and in an emergency with the damage expected."""

    planned: Decimal
    emergency: Decimal
    damage: Decimal
    parts: tuple[Part, ...]  # of both, beside the heater's own line
    line_planned: Decimal
    line_emergency: Decimal
    status: str


@dataclass(frozen=True)
class PriceList:
    """One version of the cost book, read once."""

    lines: dict[str, list[Line]]
    amounts: Mapping[str, Decimal]
    shares: Mapping[str, Decimal]
    status: Mapping[str, str]
    typical: Mapping[str, float] = field(default_factory=dict)
    quoted: dict[Any, Quote | None] = field(
        default_factory=dict, compare=False, repr=False
    )  # so far, by likeness

    def amount(self, item: str) -> Decimal:
        return self.amounts.get(item, Decimal(0))

    def share(self, item: str) -> Decimal:
        return self.shares.get(item, Decimal(0))


def price_list(book: CostBook, typical: Mapping[str, float] | None = None) -> PriceList:
    items = book.other_prices()
    return PriceList(
        lines_by_kind(book.price_lines()),
        {item.item: item.amount for item in items if item.amount is not None},
        {item.item: item.share for item in items if item.share is not None},
        {item.item: item.status for item in items},
        typical or {},
    )


def places(heater_ids: Sequence[int] | None = None) -> dict[int, Place]:
    """The places of heaters in the current scope, by heater."""
    rows = Heater.objects.values_list("pk", *_PLACE_FIELDS.values())
    if heater_ids is not None and len(heater_ids) <= 500:
        rows = rows.filter(pk__in=heater_ids)
    wanted = None if heater_ids is None else set(heater_ids)
    return {
        pk: Place(**dict(zip(_PLACE_FIELDS, values, strict=True)))
        for pk, *values in rows
        if wanted is None or pk in wanted
    }


def cents(value: Decimal) -> Decimal:
    return value.quantize(CENT, ROUND_HALF_UP)


def quote(
    place: Place, prices: PriceList, going_in: str | None = None, extras: Sequence[Part] = ()
) -> Quote | None:
    """The price of one place; None where the cost book has no line for its kind and size."""
    kind = going_in or place.kind
    size = prices.typical.get(place.kind) if place.capacity_gal is None else place.capacity_gal
    line = line_for(prices.lines.get(kind, []), size)
    if line is None:
        return None
    parts = [Part(item, cents(prices.amount(item)), True, prices.status.get(item, "")) for item in ALWAYS]
    for item, due in work_due(place, going_in).items():
        if due is not False:
            amount = prices.amount(item) * (1 if due else prices.share(item))
            parts.append(Part(item, cents(amount), due, prices.status.get(item, "")))
    parts += extras
    beside = sum((part.amount for part in parts), Decimal(0))
    damage = damage_expected(place, prices)
    return Quote(
        cents(line.planned_cost + beside),
        cents(line.emergency_cost + beside + damage.amount),
        damage.amount,
        (*parts, damage),
        line.planned_cost,
        line.emergency_cost,
        line.status,
    )


def damage_expected(place: Place, prices: PriceList) -> Part:
    """Expected damage of one failure: what lies below, how often a failure leaks, what stands in its way."""
    status = prices.status.get("damage_finished", "")
    if place.kind in TANKLESS:
        return Part("damage", Decimal(0), False, status)
    if place.below:
        below = prices.amount(f"damage_{place.below}")
    else:
        finished = prices.share("damage_finished")
        below = finished * prices.amount("damage_finished") + (1 - finished) * prices.amount(
            "damage_unfinished"
        )
    drained = both(place.has_pan, place.has_drain)
    with_drain, alone = prices.share("pan_and_drain_saves"), prices.share("pan_alone_saves")
    if drained:
        saved = with_drain
    elif drained is None:  # counted by the share that code work assumes
        saved = (1 - prices.share("pan_and_drain")) * with_drain
    else:
        saved = alone if place.has_pan else Decimal(0)
    alarm = prices.share("leak_alarm_saves") if place.has_leak_alarm else Decimal(0)
    known = None if not place.below or drained is None else True
    amount = below * prices.share("failures_that_leak") * (1 - saved) * (1 - alarm)
    return Part("damage", cents(amount), known, status)


def pricing_of(
    found: Sequence[Place], prices: PriceList, rules: Sequence[Rule] = (), as_of: date = date.min
) -> Pricing:
    """Prices of places in the order asked. Raises CostBookRefused naming every kind and size without a price."""
    typical = typical_sizes([place.kind for place in found], [place.capacity_gal for place in found])
    sized = replace(prices, typical=typical)
    assumed = sum(place.capacity_gal is None and len(prices.lines.get(place.kind, ())) > 1 for place in found)
    steps, today = [], list[Quote]()
    for day in turning_days(rules, as_of):
        kinds = [
            going_in(rules, place.kind, place.property_id, day) if rules else place.kind for place in found
        ]
        quotes = _quotes(found, kinds, sized)
        today = today or quotes
        steps.append(
            PriceStep(day, [one.planned for one in quotes], [one.emergency for one in quotes], kinds)
        )
    return Pricing(
        steps[0].planned,
        steps[0].emergency,
        dict(Counter(one.status for one in today)),
        assumed,
        made_of(today),
        steps if rules else [],
    )


def _quotes(found: Sequence[Place], kinds: Sequence[str], prices: PriceList) -> list[Quote]:
    missing, quotes = Counter[str](), list[Quote]()
    for place, kind in zip(found, kinds, strict=True):
        key = _likeness(place, kind, prices)
        try:
            one = prices.quoted[key]
        except KeyError:
            one = prices.quoted[key] = quote(place, prices, kind, conversion_parts(place, kind, prices))
        if one is None:
            missing[_lacking(place, kind, prices)] += 1
        else:
            quotes.append(one)
    if missing:
        raise CostBookRefused(
            [
                f"The cost book has no price for {what}: {count} in service. Add a line for it and run again."
                for what, count in sorted(missing.items())
            ]
        )
    return quotes


_PLAINLY = attrgetter(
    *(one.name for one in fields(Place) if one.name not in ("capacity_gal", "setpoint_f", "property_id"))
)


def _likeness(place: Place, kind: str, prices: PriceList) -> tuple[Any, ...]:
    """Places alike in this cost the same under one price list: of a million heaters there are some thousand sorts."""
    size = prices.typical.get(place.kind) if place.capacity_gal is None else place.capacity_gal
    return kind, size, stored_hot(place, kind), _PLAINLY(place)


def conversion_parts(place: Place, to_kind: str, prices: PriceList) -> list[Part]:
    """Electrical and vent work that a change of kind brings at this place."""
    return [
        Part(
            item,
            cents(prices.amount(item) * (1 if due else prices.share(item))),
            due,
            prices.status.get(item, ""),
        )
        for item, due in conversion_work(place.kind, to_kind, place.has_240v_circuit).items()
        if due is not False
    ]


def _lacking(place: Place, kind: str, prices: PriceList) -> str:
    size = prices.typical.get(place.kind) if place.capacity_gal is None else place.capacity_gal
    return kind_words(kind) + ("" if size is None or kind not in prices.lines else f" of {size:g} gal")


def made_of(quotes: Sequence[Quote]) -> list[dict[str, Any]]:
    """What all prices together are made of: per item how many are due, how many not known, and the money."""
    rows: dict[str, dict[str, Any]] = {}
    times = Counter(map(id, quotes))
    for one in {id(one): one for one in quotes}.values():
        count = times[id(one)]
        for part in one.parts:
            row = rows.setdefault(
                part.item,
                {"item": part.item, "due": 0, "not_known": 0, "amount": Decimal(0), "status": part.status},
            )
            row["due"] += count * (part.due is True)
            row["not_known"] += count * (part.due is None)
            row["amount"] += count * part.amount
    return [row | {"amount": str(row["amount"])} for row in rows.values()]


def pricer(book: CostBook, as_of: date) -> Callable[[Sequence[int]], Pricing]:
    """Prices of heaters by their numbers, in the order asked, under one version of the cost book and the rules of
    what goes in next."""
    prices, rules = price_list(book), rules_of(book.organisation_id)

    def price(heater_ids: Sequence[int]) -> Pricing:
        found = places(heater_ids)
        return pricing_of([found[pk] for pk in heater_ids], prices, rules, as_of)

    return price


def plain_prices(book: CostBook) -> list[list[str]]:
    """Everything in a version that money depends on, for a digest."""
    lines = book.lines.values_list(
        "kind", "capacity_from_gal", "capacity_to_gal", "planned_cost", "emergency_cost"
    )
    items = book.items.order_by("item").values_list("item", "amount", "share")
    rules = [
        (rule.property_id, rule.from_kind, rule.to_kind, rule.starts_on)
        for rule in rules_of(book.organisation_id)
    ]
    return [[str(value) for value in row] for row in (*lines, *items, *sorted(rules, key=str))]


def kinds_to_come(organisation_id: int) -> tuple[str, ...]:
    """Kinds that go in by a rule: they need a lifetime even before the first of them is on record."""
    return tuple(sorted({rule.to_kind for rule in rules_of(organisation_id)}))
