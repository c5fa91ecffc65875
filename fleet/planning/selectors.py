"""What a plan says, read from its stored run: nothing here is computed anew, so screen, file and command agree."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import cached_property
from typing import Any

from django.core.paginator import Page, Paginator

from fleet.estate.models import Building, Property
from fleet.heaters.models import Kind
from fleet.planning import table_rows
from fleet.planning.models import ForecastRun, HeaterOutlook
from fleet.planning.table_rows import GROUPINGS

__all__ = ["GROUPINGS", "GroupTable", "PlanTables", "latest_run", "plan_tables", "ranked"]
QUANTILES = ("p10", "p50", "p80", "p90")


@dataclass(frozen=True)
class Figures:
    expected: Decimal
    p10: Decimal
    p50: Decimal
    p80: Decimal
    p90: Decimal


@dataclass(frozen=True)
class YearRow:
    """One fiscal year of one group. Money in the run's currency, nominal; counts in heaters."""

    label: str
    start: date
    last_day: date
    whole: bool
    count: Figures
    cost: Figures
    count_so_far: Figures
    cost_so_far: Figures


Calendar = tuple[str, date, date, bool]


@dataclass(frozen=True)
class GroupTable:
    """One group's years. A plan has hundreds of groups and a page shows ten, so each is read out when it is asked for."""

    key: Any
    name: str
    stored: list[dict[str, Any]]
    calendar: list[Calendar]

    @cached_property
    def years(self) -> list[YearRow]:
        rows = []
        for (label, start, last_day, whole), figures in zip(self.calendar, self.stored, strict=True):
            named = [_figures(figures[name]) for name in ("count", "cost", "count_so_far", "cost_so_far")]
            rows.append(YearRow(label, start, last_day, whole, *named))
        return rows

    @property
    def total_cost(self) -> Decimal:
        return Decimal(self.stored[-1]["cost_so_far"]["expected"])

    @property
    def total_count(self) -> Decimal:
        return Decimal(self.stored[-1]["count_so_far"]["expected"])


@dataclass(frozen=True)
class PlanTables:
    """Every table of a finished run, each read out when it is asked for."""

    run: ForecastRun

    @property
    def currency(self) -> str:
        return str(self.run.assumptions.get("currency", "USD"))

    @cached_property
    def calendar(self) -> list[Calendar]:
        return [_calendar_row(row) for row in self.run.in_brief["years"]]

    @cached_property
    def total(self) -> GroupTable:
        [row] = self.run.in_brief["groups"]["total"]
        return GroupTable("", "all properties", row["years"], self.calendar)

    def order(self, grouping: str) -> list[tuple[Any, str]]:
        """Key and name of each listed group, the costliest first."""
        costs = table_rows.costs_of(self.run, grouping)
        names = _names(grouping, costs)
        return sorted(names.items(), key=lambda one: (-costs[one[0]], one[1]))

    def some(self, grouping: str, groups: Sequence[tuple[Any, str]]) -> list[GroupTable]:
        years = table_rows.years_of(self.run, grouping, [key for key, _ in groups])
        return [GroupTable(key, name, years[key], self.calendar) for key, name in groups]

    def by(self, grouping: str) -> list[GroupTable]:
        years, groups = table_rows.years_of(self.run, grouping), self.order(grouping)
        return [GroupTable(key, name, years[key], self.calendar) for key, name in groups]

    def own_years(self, keys: Collection[int] | None = None) -> list[GroupTable]:
        """Of all properties or some, those whose fiscal year starts in another month than the portfolio's."""
        rows = table_rows.own_years_of(self.run, keys)
        names = _names("property", rows)
        return [
            GroupTable(key, names[key], row["years"], [_calendar_row(year) for year in row["calendar"]])
            for key, row in sorted(rows.items(), key=lambda one: (one[1]["fiscal_start_month"], one[0]))
        ]


def latest_run(organisation_id: int) -> ForecastRun | None:
    """The plan in use: the last good run of the latest day. A run that failed or is open never replaces it."""
    return (
        ForecastRun.objects.filter(organisation_id=organisation_id, state=ForecastRun.State.DONE)
        .select_related("cost_book")
        .defer("diagnostics")
        .order_by("-as_of", "-id")
        .first()
    )


def open_runs(organisation_id: int) -> Iterable[ForecastRun]:
    states = [ForecastRun.State.WAITING, ForecastRun.State.RUNNING]
    rows: Iterable[ForecastRun] = ForecastRun.objects.filter(
        organisation_id=organisation_id, state__in=states
    ).select_related("job")
    return rows


def recent_runs(organisation_id: int, count: int = 10) -> Iterable[ForecastRun]:
    rows: Iterable[ForecastRun] = ForecastRun.objects.filter(organisation_id=organisation_id).select_related(
        "job"
    )[:count]
    return rows


def ranked(run: ForecastRun) -> Any:
    """The ranked list of the heaters that the current scope may see, likeliest to fail first."""
    return HeaterOutlook.objects.filter(run=run).select_related("heater__position__building__property")


class RankedLeaves(Paginator):  # type: ignore[type-arg]
    """The ranked list leaf by leaf. Who sees a run sees all its heaters: the last rank counts them, and ranks find a leaf.

    To count six hundred thousand rows, or to pass them over, takes longer than the rest of the page.
    """

    def __init__(self, run: ForecastRun, size: int) -> None:
        super().__init__(ranked(run), size)
        self.count = ranked(run).order_by("-rank").values_list("rank", flat=True).first() or 0

    def page(self, number: int | str) -> Page:  # type: ignore[type-arg]
        valid = self.validate_number(number)
        before = (valid - 1) * self.per_page
        rows: Any = self.object_list
        return Page(list(rows.filter(rank__gt=before, rank__lte=before + self.per_page)), valid, self)


def plan_tables(run: ForecastRun) -> PlanTables:
    if not run.in_brief:
        raise ValueError("This run has no result.")
    return PlanTables(run)


def _names(grouping: str, keys: Collection[Any]) -> dict[Any, str]:
    """Names instead of numbers; a removed building keeps its number."""
    if grouping == "kind":
        found = {value: str(label) for value, label in Kind.choices}
    elif grouping == "property":
        found = dict(Property.objects.filter(pk__among=keys).values_list("pk", "name"))
    else:
        rows = Building.objects.filter(pk__among=keys).values_list("pk", "property__name", "name")
        found = {pk: f"{property_}, {name}" for pk, property_, name in rows}
    return {key: found.get(key, f"no longer on record ({key})") for key in keys}


def _calendar_row(row: dict[str, Any]) -> Calendar:
    return row["label"], date.fromisoformat(row["start"]), date.fromisoformat(row["last_day"]), row["whole"]


def _figures(row: dict[str, str]) -> Figures:
    return Figures(Decimal(row["expected"]), *(Decimal(row[name]) for name in QUANTILES))
