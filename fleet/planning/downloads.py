"""The plan as files: one long table for CSV, sheets for XLSX. Text that a spreadsheet would run is neutralised."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import partial
from itertools import islice
from typing import Any

from fleet.estate.bulk_rows import in_parts
from fleet.heaters.models import Kind
from fleet.heaters.workbook_answer import workbook_of
from fleet.planning import explained, selectors
from fleet.planning.models import ForecastRun

# Heaters: a spreadsheet of sixty thousand takes half a minute while somebody waits.
MOST_IN_A_WORKBOOK = 5_000
GROUPS_AT_A_TIME = 100
HEATERS_AT_A_TIME = 2000
KIND_NAMES: dict[str, str] = dict(Kind.choices)
FIGURES = (  # of a heater: columns of the file as the record calls them
    "age_years",
    "age_known",
    "p_fail_12_months",
    "p_fail_36_months",
    "remaining_life_p10_years",
    "remaining_life_median_years",
    "remaining_life_p90_years",
    "planned_cost",
    "emergency_cost",
)
HEATER_FIELDS = (
    "rank",
    "heater__tag",
    "heater__position__building__property__name",
    "heater__position__building__name",
    "heater__position__label",
    "heater__kind",
    *FIGURES,
    "reasons",
)
YEAR_HEADINGS = (
    "grouping",
    "group",
    "fiscal_year",
    "first_day",
    "last_day",
    "whole_year",
    *(f"replacements_{name}" for name in ("expected", *selectors.QUANTILES)),
    *(f"cost_{name}" for name in ("expected", *selectors.QUANTILES)),
    *(f"cumulative_replacements_{name}" for name in ("expected", *selectors.QUANTILES)),
    *(f"cumulative_cost_{name}" for name in ("expected", *selectors.QUANTILES)),
    "currency",
    "as_of",
)
HEATER_HEADINGS = (
    "rank",
    "heater",
    "property",
    "building",
    "position",
    "kind",
    *FIGURES,
    "reason_1",
    "reason_2",
    "reason_3",
    "assumed_reasons",
    "currency",
    "as_of",
)


def year_rows(plan: selectors.PlanTables) -> Iterator[list[Any]]:
    """Every year of every grouping; the rows of each grouping sum to those of the portfolio, to the cent."""
    groupings: list[tuple[str, Callable[[], Iterable[selectors.GroupTable]]]] = [
        ("portfolio", lambda: [plan.total]),
        *((name, partial(_in_their_order, plan, name)) for name in selectors.GROUPINGS),
        ("property, own fiscal year", plan.own_years),
    ]
    for grouping, tables in groupings:
        for table in tables():
            for year in table.years:
                figures = (year.count, year.cost, year.count_so_far, year.cost_so_far)
                yield [
                    grouping,
                    table.name,
                    year.label,
                    str(year.start),
                    str(year.last_day),
                    "yes" if year.whole else "no",
                    *(
                        getattr(figure, name)
                        for figure in figures
                        for name in ("expected", *selectors.QUANTILES)
                    ),
                    plan.currency,
                    str(plan.run.as_of),
                ]


def _in_their_order(plan: selectors.PlanTables, grouping: str) -> Iterator[selectors.GroupTable]:
    """The groups that are listed, some at a time: who waits for a file gets the first while the last are not read yet."""
    for some in in_parts(plan.order(grouping), GROUPS_AT_A_TIME):
        yield from plan.some(grouping, some)


def heater_rows(run: ForecastRun) -> Iterator[list[Any]]:
    """The heaters likeliest to fail first: read by rank, some at a time, as plain rows."""
    currency, as_of = run.assumptions.get("currency", "USD"), str(run.as_of)
    ranked = selectors.ranked(run).select_related(None).values_list(*HEATER_FIELDS, named=True)
    last = 0
    while rows := list(ranked.filter(rank__gt=last)[:HEATERS_AT_A_TIME]):
        for row in rows:
            yield [*_heater_row(row), currency, as_of]
        last = rows[-1].rank


def _heater_row(row: Any) -> list[Any]:
    words = [reason["words"] for reason in row.reasons][:3]
    assumed = [str(number) for number, reason in enumerate(row.reasons, start=1) if reason["assumed"]]
    return [
        row.rank,
        row.heater__tag,
        row.heater__position__building__property__name,
        row.heater__position__building__name,
        row.heater__position__label,
        KIND_NAMES[row.heater__kind],
        round(row.age_years, 1),
        "yes" if row.age_known else "assumed",
        round(row.p_fail_12_months, 4),
        round(row.p_fail_36_months, 4),
        round(row.remaining_life_p10_years, 1),
        round(row.remaining_life_median_years, 1),
        round(row.remaining_life_p90_years, 1),
        row.planned_cost,
        row.emergency_cost,
        *(words + [""] * (3 - len(words))),
        ", ".join(assumed),
    ]


def workbook(plan: selectors.PlanTables) -> bytes:
    """Sheets: years, heaters, and what the plan stands on."""
    stands_on = ([line] for line in [*_left_out(plan.run), *notes(plan.run)])
    return workbook_of(
        [
            ("years", YEAR_HEADINGS, year_rows(plan)),
            ("heaters", HEATER_HEADINGS, islice(heater_rows(plan.run), MOST_IN_A_WORKBOOK)),
            ("how sure", ("what the plan stands on",), stands_on),
        ]
    )


def _left_out(run: ForecastRun) -> list[str]:
    count = selectors.ranked(run).order_by().count()
    if count <= MOST_IN_A_WORKBOOK:
        return []
    return [
        f"The sheet of heaters holds the {MOST_IN_A_WORKBOOK:,} likeliest to fail of {count:,}; "
        "all of them stand in the CSV file of the ranked heaters."
    ]


def notes(run: ForecastRun) -> list[str]:
    return [
        f"Capital plan as of {run.as_of}, random seed {run.seed}, {run.draws} draws, "
        f"engine {run.engine_version}, inputs {run.inputs_digest[:12]}.",
        *explained.how_sure(run),
        *explained.assumptions(run),
        "Expected values sum exactly across every grouping; P10, P50, P80 and P90 do not and must not be added up.",
    ]
