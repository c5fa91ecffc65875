"""The plan as aligned plain text for a terminal, and as plain values for JSON."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import Any

from fleet.planning import downloads, selectors

QUANTILE_NAMES = ("expected", *selectors.QUANTILES)


def aligned(headings: Sequence[str], rows: Iterable[Sequence[str]], text_columns: int = 1) -> list[str]:
    """Columns of text to the left, of numbers to the right."""
    table = [list(headings), *(list(row) for row in rows)]
    widths = [max(len(row[column]) for row in table) for column in range(len(headings))]
    lines = []
    for row in table:
        cells = [
            cell.ljust(width) if column < text_columns else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    lines.insert(1, "  ".join("-" * width for width in widths))
    return lines


def year_lines(plan: selectors.PlanTables) -> list[str]:
    headings = ["fiscal year", *(f"n {name}" for name in QUANTILE_NAMES)]
    headings += [f"{plan.currency} {name}" for name in QUANTILE_NAMES]
    headings += [f"so far {name}" for name in ("expected", "p10", "p90")]
    rows = [
        [
            year.label,
            f"{year.count.expected:.1f}",
            *(f"{getattr(year.count, name):.0f}" for name in selectors.QUANTILES),
            *(_money(getattr(year.cost, name)) for name in QUANTILE_NAMES),
            *(_money(getattr(year.cost_so_far, name)) for name in ("expected", "p10", "p90")),
        ]
        for year in plan.total.years
    ]
    return aligned(headings, rows)


def _money(value: Decimal) -> str:
    return f"{value:,.0f}"


def group_lines(plan: selectors.PlanTables, grouping: str) -> list[str]:
    """The whole horizon and the first two years of each group."""
    first = [year.label for year in plan.total.years[:3]]
    rows = [
        [
            table.name,
            f"{table.total_count:.1f}",
            *(_money(year.cost.expected) for year in table.years[:3]),
            *(_money(getattr(table.years[-1].cost_so_far, name)) for name in ("expected", "p10", "p90")),
        ]
        for table in plan.by(grouping)
    ]
    headings = [grouping, "n", *(f"{plan.currency} {label}" for label in first), "all years", "p10", "p90"]
    return aligned(headings, rows)


def heater_lines(rows: Iterable[Any]) -> list[str]:
    """The ranked list; each heater followed by its reasons, likewise marked. A star marks an assumed age."""
    table, reasons = [], []
    for row in rows:
        building = row.heater.position.building
        table.append(
            [
                str(row.rank),
                row.heater.tag,
                f"{building.property.name}, {building.name}, {row.heater.position.label}",
                row.heater.get_kind_display(),
                f"{row.age_years:.1f}{'' if row.age_known else '*'}",
                _percent(row.p_fail_12_months),
                _percent(row.p_fail_36_months),
                f"{row.remaining_life_median_years:.1f} ({row.remaining_life_p10_years:.1f} to "
                f"{row.remaining_life_p90_years:.1f})",
            ]
        )
        reasons.append([reason["words"] for reason in row.reasons])
    headings = ["rank", "heater", "where", "kind", "age, years", "12 months", "36 months", "life left, years"]
    lines = aligned(headings, table, text_columns=4)
    answer = lines[:2]
    for line, why in zip(lines[2:], reasons, strict=True):
        answer += [line, "      " + "; ".join(why)]
    return answer


def _percent(chance: float) -> str:
    return "under 1 %" if 0 < chance < 0.005 else f"{chance * 100:.0f} %"


def printed(plan: selectors.PlanTables, watch: int = 10) -> list[str]:
    """The whole print: year table, groups, heaters to watch, how sure, and what it stands on."""
    run = plan.run
    lines = [
        f"Capital plan as of {run.as_of}: replacements (n = heaters) and their cost in {plan.currency} of each year,",
        "per fiscal year, with the spread over joint paths (p10 to p90: eight times in ten between the two).",
        "",
        *year_lines(plan),
        "",
    ]
    for grouping in ("property", "kind"):
        lines += [
            f"By {grouping} (expected; p10 and p90 of all years together)",
            *group_lines(plan, grouping),
            "",
        ]
    lines += [
        f"The {watch} heaters to watch: chance of failing within 12 and 36 months, life left (median, P10 to P90)",
        *heater_lines(selectors.ranked(run)[:watch]),
        "* the year it was put in is not on record: its age is assumed",
        "",
        "How sure",
        *(f"- {line}" for line in downloads.notes(run)),
    ]
    return lines


def as_json(plan: selectors.PlanTables) -> dict[str, Any]:
    """Plain values, money and counts as decimal text, with names beside the numbers."""
    run = plan.run
    heaters = [dict(zip(downloads.HEATER_HEADINGS, row, strict=True)) for row in downloads.heater_rows(run)]
    years = [dict(zip(downloads.YEAR_HEADINGS, row, strict=True)) for row in downloads.year_rows(plan)]
    return {
        "as_of": str(run.as_of),
        "horizon_years": run.horizon_years,
        "random_seed": run.seed,
        "draws": run.draws,
        "engine_version": run.engine_version,
        "inputs_digest": run.inputs_digest,
        "result_digest": run.result_digest,
        "currency": plan.currency,
        "assumptions": run.assumptions,
        "diagnostics": run.diagnostics,
        "notes": downloads.notes(run),
        "years": years,
        "heaters": heaters,
    }
