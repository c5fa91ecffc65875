"""What the pages show of the latest forecast and of the care that is due; either may still be empty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import QuerySet

from fleet.care import selectors as care
from fleet.care.due_list import OVERDUE, due_list
from fleet.estate.models import Building
from fleet.pages import words
from fleet.planning import selectors as planning
from fleet.planning import table_rows
from fleet.planning.models import ForecastRun, HeaterOutlook

MOST_BUILDINGS = 100  # of those with due work; all of them stand on the page of the work


@dataclass(frozen=True)
class Year:
    period: str
    count: float
    expected: float
    p10: float
    p50: float
    p80: float
    p90: float


@dataclass(frozen=True)
class Outlook:
    """One heater's future as the latest forecast saw it."""

    as_of: date
    heater_id: int
    rank: int
    age_years: float
    fails_in_12_months: float
    fails_in_36_months: float
    p10_years: float
    median_years: float
    p90_years: float
    age_known: bool
    planned_cost: Any
    emergency_cost: Any
    reasons: list[str]
    chances: tuple[tuple[float, float, float, float], ...] = ()  # years ahead, chance of failure, p10, p90
    remedies: tuple[dict[str, Any], ...] = ()


def latest_run(organisation_id: int) -> ForecastRun | None:
    """The plan in use. Someone who sees only some properties does not see the portfolio's run."""
    return planning.latest_run(organisation_id)


def years(run: ForecastRun | None, grouping: str = "total", key: Any = "") -> list[Year]:
    """Cost in each fiscal year of a run: of the portfolio, or of one property, building or kind."""
    if run is None or not run.in_brief:
        return []
    calendar = run.in_brief["years"]
    if grouping == "total":
        rows = run.in_brief["groups"]["total"][0]["years"]
    else:
        calendar, rows = _of_group(run, calendar, grouping, key)
    return [_year(str(period["label"]), row) for period, row in zip(calendar, rows, strict=False)]


def _of_group(run: ForecastRun, calendar: list[Any], grouping: str, key: Any) -> tuple[list[Any], list[Any]]:
    # A property whose fiscal year starts in another month than the portfolio's has years of its own.
    if grouping == "property" and (own := table_rows.own_years_of(run, [key])):
        return own[key]["calendar"], own[key]["years"]
    if found := table_rows.years_of(run, grouping, [key]):
        return calendar, found[key]
    return _of_part(run, grouping, key) if run.in_brief.get("left_out") else (calendar, [])


def _of_part(run: ForecastRun, grouping: str, key: Any) -> tuple[list[Any], list[dict[str, Any]]]:
    """A large run lists only its costliest groups; the tables of the others stand with their part."""
    from fleet.estate.models import Building
    from fleet.planning.parts import tables_of

    calendar: list[Any] = run.in_brief["years"]
    place = key
    if grouping == "building":
        place = Building.objects.filter(pk=key).values_list("property_id", flat=True).first()
    found = tables_of(run, place, key if grouping == "building" else None) if place else {}
    own = [row for row in found.get("own_years", ()) if grouping == "property" and row["key"] == key]
    if own:
        return own[0]["calendar"], own[0]["years"]
    rows: list[dict[str, Any]] = next(
        (row["years"] for row in found.get("groups", {}).get(grouping, ()) if row["key"] == key), []
    )
    return calendar, rows


def _year(period: str, row: dict[str, Any]) -> Year:
    cost = {name: float(value) for name, value in row["cost"].items()}
    return Year(
        period,
        float(row["count"]["expected"]),
        cost["expected"],
        cost["p10"],
        cost["p50"],
        cost["p80"],
        cost["p90"],
    )


def so_far(run: ForecastRun | None) -> list[dict[str, Any]]:
    """Money spent by the end of each fiscal year, of the whole portfolio, from the run's own joint paths."""
    if run is None or not run.in_brief:
        return []
    rows: list[dict[str, Any]] = run.in_brief["groups"]["total"][0]["years"]
    names = ("expected", "p10", "p90")
    return [
        {
            "period": str(period["label"]),
            "order": order,
            **{name: float(row["cost_so_far"][name]) for name in names},
        }
        for order, (period, row) in enumerate(zip(run.in_brief["years"], rows, strict=False))
    ]


def currency(run: ForecastRun | None) -> str:
    return str(run.assumptions.get("currency", "USD")) if run else "USD"


def outlooks(run: ForecastRun | None, **filters: Any) -> QuerySet[HeaterOutlook]:
    """Rows of the ranked list, likeliest to fail first: of the run, or for someone who may not see
    the portfolio's run, those of the latest that looked at the heaters she may see."""
    rows: QuerySet[HeaterOutlook] = HeaterOutlook.objects.all()
    mine = rows.filter(**filters).order_by("-run_id")
    number = run.pk if run else mine.values_list("run_id", flat=True).first()
    place = "heater__position__building__property"
    light = rows.select_related(place, "run").defer("run__result", "run__diagnostics")
    return light.filter(run_id=number, **filters).order_by("rank")


def outlook_of(run: ForecastRun | None, heater_id: int) -> Outlook | None:
    row = outlooks(run, heater_id=heater_id).first()
    if row is None:
        return None
    return Outlook(
        row.run.as_of,
        heater_id,
        row.rank,
        row.age_years,
        row.p_fail_12_months,
        row.p_fail_36_months,
        row.remaining_life_p10_years,
        row.remaining_life_median_years,
        row.remaining_life_p90_years,
        row.age_known,
        row.planned_cost,
        row.emergency_cost,
        [str(reason.get("words", "")) if isinstance(reason, dict) else str(reason) for reason in row.reasons],
        tuple((float(a), float(b), float(c), float(d)) for a, b, c, d in row.chances),
        tuple(row.remedies),
    )


def curve(outlook: Outlook) -> list[dict[str, float]]:
    """Points of the chance to have failed, from the run's own figures, in order of time."""
    if outlook.chances:
        nothing = {"years": 0.0, "failed": 0.0, "p10": 0.0, "p90": 0.0}
        return [nothing, *(dict(zip(nothing, point, strict=True)) for point in outlook.chances)]
    points = {
        (0.0, 0.0),
        (1.0, outlook.fails_in_12_months),
        (3.0, outlook.fails_in_36_months),
        (outlook.p10_years, 0.1),
        (outlook.median_years, 0.5),
        (outlook.p90_years, 0.9),
    }
    return [{"years": round(when, 2), "failed": round(chance, 4)} for when, chance in sorted(points)]


def curve_table(outlook: Outlook) -> list[tuple[str, str, str]]:
    """Years, chance of failure by then, and its 80 % interval ('' where the run kept none)."""
    return [
        (
            f"{point['years']:g}",
            words.percent(point["failed"]),
            f"{words.percent(point['p10'])} to {words.percent(point['p90'])}" if "p10" in point else "",
        )
        for point in curve(outlook)
    ]


@dataclass(frozen=True)
class Place:
    """Open care of one building."""

    building_id: int
    property_id: int
    name: str
    overdue: int
    due: int


@dataclass(frozen=True)
class Due:
    """Open care: the sums of all buildings, and those of them that have most overdue."""

    overdue: int
    due: int
    building_count: int
    buildings: tuple[Place, ...] = ()

    @property
    def total(self) -> int:
        return self.overdue + self.due

    @property
    def all_shown(self) -> bool:
        return len(self.buildings) == self.building_count


def due_summary(today: date, property_ids: Sequence[int] | None = None, most: int = MOST_BUILDINGS) -> Due:
    """Open tasks by building, of some properties or of all, the most overdue first."""
    rows = due_list(today, property_ids=property_ids, order=OVERDUE)
    return Due(rows.late, rows.tasks - rows.late, len(rows), tuple(_place(row) for row in rows[0:most]))


def due_in(building: Building, today: date) -> Due:
    rows = care.due_counts(today, building=building)
    late, tasks = sum(row.late for row in rows), sum(row.tasks for row in rows)
    return Due(late, tasks - late, len(rows), tuple(_place(row) for row in rows))


def _place(row: care.BuildingCount) -> Place:
    name = f"{row.property}, {row.building}"
    return Place(row.building_id, row.property_id, name, row.late, row.tasks - row.late)
