"""A stored capital plan as aligned text for a terminal."""

from __future__ import annotations

from decimal import Decimal

from fleet.planning.capital_rows import CapitalPlan
from fleet.planning.capital_words import (
    best_age_lines,
    currency_of,
    notes,
    reserve_lines,
    saving_words,
    scenarios,
    shown_lines,
    year_rows,
)
from fleet.planning.printed import aligned


def printed(plan: CapitalPlan, compare: bool) -> list[str]:
    result, currency = plan.result or {}, currency_of(plan)
    years = [
        [row[0], str(row[3]), str(row[4]), f"{row[5]:,.2f}", f"{row[7]:,.2f}", f"{row[9]:.1f}"]
        for row in year_rows(plan)
    ]
    planned = [
        [
            shown.year,
            shown.line.heater.tag,
            f"{shown.line.set_aside:,.2f}",
            f"{shown.line.p_fail_before * 100:.0f} %",
            f"{shown.line.risk_avoided:,.2f}",
            f"{shown.line.saving:,.2f}",
        ]
        for shown in shown_lines(plan)
        if shown.year
    ]
    lines = [
        f"{plan}, {currency}: {result['heaters_planned']} of {result['heaters']} heaters planned, "
        f"{Decimal(result['planned_total']):,.2f} in all. {saving_words(plan)}",
        "",
        *aligned(["fiscal year", "heaters", "visits", "set aside", "cap", "emergencies"], years),
        "",
        *aligned(["year", "heater", "set aside", "fails before", "risk avoided", "saves"], planned, 2),
    ]
    if compare:
        lines += ["", *_compared(plan)]
    return [
        *lines,
        "",
        *reserve_lines(plan),
        "",
        *best_age_lines(plan),
        "",
        *(f"- {line}" for line in notes(plan)),
    ]


def _compared(plan: CapitalPlan) -> list[str]:
    rows = [
        [
            row["words"],
            f"{row['cost']:,.0f}",
            f"{row['cost_p10']:,.0f} to {row['cost_p90']:,.0f}",
            f"{row['difference']:,.0f}",
            f"{row['emergencies']:.1f}",
            f"{row['emergencies_avoided']:.1f}",
            f"{row['homes']:.0f}",
            "-" if row["long_run_saving"] is None else f"{row['long_run_saving']:,.0f}",
            f"{row['contribution']:,.0f}",
        ]
        for row in scenarios(plan)
    ]
    headings = [
        "way",
        "cost",
        "P10 to P90",
        "difference",
        "emergencies",
        "avoided",
        "homes cold",
        "long-run saving",
        "reserve a year",
    ]
    return aligned(headings, rows)
