"""What a plan says, read from its stored run: nothing here is computed anew, so screen, file and command agree."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import cached_property
from typing import Any

from fleet.estate.models import Building, Property
from fleet.heaters.models import Kind
from fleet.planning.models import ForecastRun, HeaterOutlook

QUANTILES = ("p10", "p50", "p80", "p90")
GROUPINGS = ("property", "building", "kind")


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
    run: ForecastRun
    currency: str
    total: GroupTable
    by_property: list[GroupTable]
    by_building: list[GroupTable]
    by_kind: list[GroupTable]
    own_years: list[GroupTable]

    def by(self, grouping: str) -> list[GroupTable]:
        tables: list[GroupTable] = getattr(self, f"by_{grouping}")
        return tables


def latest_run(organisation_id: int) -> ForecastRun | None:
    """The plan in use: the last good run of the latest day. A run that failed or is open never replaces it."""
    return (
        ForecastRun.objects.filter(organisation_id=organisation_id, state=ForecastRun.State.DONE)
        .select_related("cost_book")
        .defer("result", "diagnostics")  # megabytes of a large fleet; read where they are asked for
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
    rows: Iterable[ForecastRun] = (
        ForecastRun.objects.filter(organisation_id=organisation_id)
        .select_related("job")
        .defer("result")[:count]
    )
    return rows


def ranked(run: ForecastRun) -> Any:
    """The ranked list of the heaters that the current scope may see, likeliest to fail first."""
    return HeaterOutlook.objects.filter(run=run).select_related("heater__position__building__property")


def plan_tables(run: ForecastRun) -> PlanTables:
    """Every table of a finished run, with names instead of numbers; a removed building keeps its number."""
    if not run.result:
        raise ValueError("This run has no result.")
    result = run.result
    calendar = [_calendar_row(row) for row in result["years"]]
    names = _names(result["groups"])

    def tables(grouping: str) -> list[GroupTable]:
        return [_table(row, names[grouping], calendar) for row in result["groups"][grouping]]

    own = [
        _table(row, names["property"], [_calendar_row(year) for year in row["calendar"]])
        for row in result["own_years"]
    ]
    by = {name: sorted(tables(name), key=lambda table: (-table.total_cost, table.name)) for name in GROUPINGS}
    currency = run.assumptions.get("currency", "USD")
    return PlanTables(run, currency, tables("total")[0], by["property"], by["building"], by["kind"], own)


def _names(groups: dict[str, list[dict[str, Any]]]) -> dict[str, dict[Any, str]]:
    keys = [row["key"] for row in groups["building"]]
    buildings = Building.objects.filter(pk__in=keys).values_list("pk", "property__name", "name")
    return {
        "total": {"": "all properties"},
        "property": dict(Property.objects.values_list("pk", "name")),
        "building": {pk: f"{property_}, {name}" for pk, property_, name in buildings},
        "kind": {value: str(label) for value, label in Kind.choices},
    }


def _calendar_row(row: dict[str, Any]) -> Calendar:
    return row["label"], date.fromisoformat(row["start"]), date.fromisoformat(row["last_day"]), row["whole"]


def _table(row: dict[str, Any], names: dict[Any, str], calendar: list[Calendar]) -> GroupTable:
    name = names.get(row["key"], f"no longer on record ({row['key']})")
    return GroupTable(row["key"], name, row["years"], calendar)


def _figures(row: dict[str, str]) -> Figures:
    return Figures(Decimal(row["expected"]), *(Decimal(row[name]) for name in QUANTILES))
