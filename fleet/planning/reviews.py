"""Last year's plan against what happened, per property: what was done, what failed, what it cost, what it was worth.

Money is at the prices of the plan unless bills were entered. What would have happened otherwise nobody knows: money
avoided and life given away are the plan's own expectations, and are called so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any

from django.db import transaction

from fleet.estate.calendar import today_of
from fleet.estate.history import record_change
from fleet.heaters.models import FAILURES, Heater
from fleet.planning.capital_rows import CapitalLine, CapitalPlan
from fleet.planning.costing import cents
from fleet.planning.models import HeaterOutlook, PlanReview

FORESEEN_SHARE = 0.1  # a failure among the likeliest tenth of the ranked list counts as foreseen
COUNTS = ("planned", "done", "not_done", "failed_first", "failures", "foreseen", "not_foreseen")
MONEY = ("set_aside", "at_plan_prices", "avoided", "given_away", "hindsight")


class ReviewRefused(ValueError):
    """A year that cannot be looked back at; the message says why and what would be right."""


@dataclass
class _Row:
    """One property's year."""

    name: str
    counts: dict[str, int] = field(default_factory=lambda: dict.fromkeys(COUNTS, 0))
    money: dict[str, Decimal] = field(default_factory=lambda: dict.fromkeys(MONEY, Decimal(0)))
    expected: float | None = None
    buildings: set[int] = field(default_factory=set)


def finished_years(plan: CapitalPlan, today: date) -> list[tuple[int, dict[str, Any]]]:
    """The fiscal years of a plan that are over, with their places."""
    years = (plan.result or {}).get("years", [])
    return [(at, year) for at, year in enumerate(years) if date.fromisoformat(year["last_day"]) < today]


@transaction.atomic
def look_back(
    plan: CapitalPlan, at: int | None = None, bills: Mapping[int, Decimal] | None = None
) -> PlanReview:
    """Look back at a finished fiscal year of a plan (the last one finished) and keep what is found."""
    if plan.state != CapitalPlan.State.DONE:
        raise ReviewRefused("Only a finished plan can be looked back at.")
    today = today_of(plan.organisation)
    over = dict(finished_years(plan, today))
    if not over:
        last = (plan.result or {})["years"][0]["last_day"]
        raise ReviewRefused(
            f"No fiscal year of this plan is over yet: its first ends on {last}, today is {today}."
        )
    chosen = max(over) if at is None else at
    if chosen not in over:
        names = ", ".join(year["label"] for year in over.values())
        raise ReviewRefused(f"That fiscal year is not over; these are: {names}.")
    for number, bill in (bills or {}).items():
        if not bill.is_finite() or bill < 0:
            raise ReviewRefused(f"A bill of {bill} for property {number} cannot be; give 0 or more.")
    year = over[chosen]
    content = _content(plan, chosen, year, bills or {})
    review = PlanReview.objects.create(
        organisation_id=plan.organisation_id,
        plan=plan,
        label=year["label"],
        first_day=date.fromisoformat(year["start"]),
        last_day=date.fromisoformat(year["last_day"]),
        content=content,
    )
    record_change(review, "kept")
    return review


def ended_within(heater: Heater, first: date, last: date) -> bool:
    """Whether it left service in these days; an ending between two days counts on the later one."""
    day = heater.removed_latest or heater.removed_earliest
    return bool(heater.ending) and day is not None and first <= day <= last


def _content(
    plan: CapitalPlan, at: int, year: dict[str, Any], bills: Mapping[int, Decimal]
) -> dict[str, Any]:
    first, last = date.fromisoformat(year["start"]), date.fromisoformat(year["last_day"])
    outlooks = {row.heater_id: row for row in HeaterOutlook.objects.filter(run=plan.run)}
    likeliest = max(1, round(FORESEEN_SHARE * len(outlooks)))
    within_a_year = (last - plan.run.as_of).days <= 366
    rows: dict[int, _Row] = {}
    failed_list: list[dict[str, Any]] = []
    lines = CapitalLine.objects.filter(plan=plan).select_related("heater__position__building__property")
    for line in lines.order_by("id"):
        place = line.heater.position.building
        row = rows.setdefault(place.property_id, _Row(place.property.name))
        outlook = outlooks.get(line.heater_id)
        _take_plan(row, line, at, year)
        if outlook is not None and within_a_year:
            row.expected = (row.expected or 0.0) + outlook.p_fail_12_months
        if ended_within(line.heater, first, last):
            foreseen = 0 <= line.period <= at or (outlook is not None and outlook.rank <= likeliest)
            _take_ending(row, line, at, outlook, foreseen)
            if line.heater.ending in FAILURES:
                failed_list.append(
                    {
                        "heater": line.heater.tag,
                        "property": place.property.name,
                        "day": str(line.heater.removed_latest),
                        "foreseen": foreseen,
                        "planned_for": (plan.result or {})["years"][line.period]["label"]
                        if line.period >= 0
                        else "not planned",
                        "rank": outlook.rank if outlook is not None else None,
                    }
                )
        elif line.period == at and line.heater.in_service:
            row.counts["not_done"] += 1
    return {
        "as_of": str(plan.run.as_of),
        "cap": str(plan.cap),
        "currency": str(plan.run.assumptions.get("currency", "USD")),
        "emergencies_expected": year["emergencies"],
        "rows": [
            {
                "property": row.name,
                **row.counts,
                **{name: str(cents(amount)) for name, amount in row.money.items()},
                "expected": None if row.expected is None else round(row.expected, 2),
                "bill": str(cents(bills[number])) if number in bills else None,
            }
            for number, row in sorted(rows.items(), key=lambda pair: pair[1].name)
        ],
        "failures": failed_list,
    }


def _take_plan(row: _Row, line: CapitalLine, at: int, year: dict[str, Any]) -> None:
    """What the plan had set aside for this heater in that year, the way to its building once."""
    if line.period != at:
        return
    building = line.heater.position.building_id
    shared = Decimal(year["visit"]) if building in row.buildings else Decimal(0)
    row.buildings.add(building)
    row.counts["planned"] += 1
    row.money["set_aside"] += line.set_aside - shared


def _take_ending(
    row: _Row, line: CapitalLine, at: int, outlook: HeaterOutlook | None, foreseen: bool
) -> None:
    planned = Decimal(outlook.planned_cost) if outlook is not None else line.set_aside
    emergency = Decimal(outlook.emergency_cost) if outlook is not None else line.set_aside
    if line.heater.ending in FAILURES:
        row.counts["failures"] += 1
        row.counts["foreseen" if foreseen else "not_foreseen"] += 1
        row.counts["failed_first"] += line.period == at
        row.money["at_plan_prices"] += emergency
        row.money["hindsight"] += emergency - planned
        return
    row.money["at_plan_prices"] += planned
    if line.period == at:
        row.counts["done"] += 1
    if line.period >= 0 and emergency > 0:
        by_horizon = min(Decimal(1), Decimal(str(line.p_fail_before)) + line.risk_avoided / emergency)
        row.money["avoided"] += line.risk_avoided
        row.money["given_away"] += planned * (1 - by_horizon)


def totals(review: PlanReview) -> dict[str, Any]:
    """All properties together; money sums to the cent, a bill only where every property has one."""
    rows = review.content["rows"]
    found: dict[str, Any] = {name: sum(row[name] for row in rows) for name in COUNTS}
    found |= {name: sum((Decimal(row[name]) for row in rows), Decimal(0)) for name in MONEY}
    bills = [row["bill"] for row in rows]
    found["bill"] = None if None in bills else sum((Decimal(bill) for bill in bills), Decimal(0))
    expected = [row["expected"] for row in rows]
    found["expected"] = None if None in expected else round(sum(expected), 2)
    return found


def rows_shown(review: PlanReview) -> list[dict[str, Any]]:
    """Rows with their money as Decimal."""
    return [
        {
            **row,
            **{name: Decimal(row[name]) for name in MONEY},
            "bill": None if row["bill"] is None else Decimal(row["bill"]),
        }
        for row in review.content["rows"]
    ]
