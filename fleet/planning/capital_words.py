"""A stored capital plan as rows and words; screen, files and command all read it here."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from fleet.heaters.exporting import neutralised
from fleet.planning.capital_rows import CapitalLine, CapitalPlan
from fleet.planning.models import HeaterOutlook
from fleet.planning.prices import kind_words
from fleet.planning.printed import aligned

SCENARIO_WORDS = {
    "capped": "This plan",
    "run_to_failure": "Run to failure",
    "by_age": "Replace at age 12",
}
LINE_HEADINGS = (
    "fiscal_year",
    "heater",
    "property",
    "building",
    "position",
    "kind",
    "set_aside",
    "p_fail_before",
    "risk_avoided",
    "saving_against_failure",
    "cost_of_waiting_a_year",
    "new_unit_a_year",
    "reason",
    "currency",
    "as_of",
)
YEAR_HEADINGS = (
    "fiscal_year", "first_day", "last_day", "heaters", "visits", "set_aside", "shared_visits", "cap", "left",
    "emergencies_expected", "currency",
)  # fmt: skip
SCENARIO_HEADINGS = (
    "way", "expected_cost", "p10", "p90", "difference_to_run_to_failure", "difference_p10", "difference_p90",
    "planned", "emergencies", "emergencies_avoided", "long_run_saving", "reserve_contribution_a_year", "currency",
)  # fmt: skip


@dataclass(frozen=True)
class Shown:
    """One line with its year's name and the heaviest reason of its forecast."""

    line: CapitalLine
    year: str
    reason: str

    @property
    def set_aside(self) -> Decimal:
        return self.line.set_aside


def currency_of(plan: CapitalPlan) -> str:
    return str(plan.run.assumptions.get("currency", "USD"))


def shown_lines(plan: CapitalPlan) -> list[Shown]:
    """Lines that the current scope may see: planned ones by year, then the rest by their chance of failing."""
    labels = [year["label"] for year in (plan.result or {}).get("years", [])]
    why = {
        heater: reasons[0]["words"] if reasons else ""
        for heater, reasons in HeaterOutlook.objects.filter(run=plan.run).values_list("heater_id", "reasons")
    }
    rows = CapitalLine.objects.filter(plan=plan).select_related("heater__position__building__property")
    ordered = sorted(
        rows, key=lambda row: (row.period < 0, row.period, -row.saving, -row.p_fail_before, row.heater_id)
    )
    return [
        Shown(row, labels[row.period] if row.period >= 0 else "", why.get(row.heater_id, ""))
        for row in ordered
    ]


def line_rows(plan: CapitalPlan) -> Iterator[list[Any]]:
    currency, as_of = currency_of(plan), str(plan.run.as_of)
    for shown in shown_lines(plan):
        line, heater = shown.line, shown.line.heater
        building = heater.position.building
        yield [
            shown.year or "not planned",
            heater.tag,
            building.property.name,
            building.name,
            heater.position.label,
            heater.get_kind_display(),
            line.set_aside,
            round(line.p_fail_before, 4),
            line.risk_avoided,
            line.saving,
            line.waiting_cost,
            line.new_unit_a_year,
            shown.reason,
            currency,
            as_of,
        ]


def year_rows(plan: CapitalPlan) -> Iterator[list[Any]]:
    for year in (plan.result or {})["years"]:
        amounts = [Decimal(year[name]) for name in ("set_aside", "shared_visits", "cap", "left")]
        counts = [year["label"], year["start"], year["last_day"], year["heaters"], year["visits"]]
        yield [*counts, *amounts, year["emergencies"], currency_of(plan)]


def scenarios(plan: CapitalPlan) -> list[dict[str, Any]]:
    """The ways side by side, amounts as Decimal."""
    money: tuple[str, ...] = (
        "cost",
        "cost_p10",
        "cost_p90",
        "difference",
        "difference_p10",
        "difference_p90",
    )
    money += ("long_run_saving", "contribution")
    return [
        {**row, **{name: Decimal(row[name]) for name in money}, "words": SCENARIO_WORDS[row["name"]]}
        for row in (plan.result or {})["scenarios"]
    ]


def scenario_rows(plan: CapitalPlan) -> Iterator[list[Any]]:
    names: tuple[str, ...] = (
        "words",
        "cost",
        "cost_p10",
        "cost_p90",
        "difference",
        "difference_p10",
        "difference_p90",
    )
    names += ("planned", "emergencies", "emergencies_avoided", "long_run_saving", "contribution")
    for row in scenarios(plan):
        yield [*(row[name] for name in names), currency_of(plan)]


def _safe(value: Any) -> Any:
    return neutralised(value) if isinstance(value, str) else value


def csv_text(plan: CapitalPlan) -> str:
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(LINE_HEADINGS)
    writer.writerows([_safe(value) for value in row] for row in line_rows(plan))
    return buffer.getvalue()


def workbook(plan: CapitalPlan) -> bytes:
    from openpyxl import Workbook
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    book = Workbook(write_only=True)
    sheets = (
        ("years", YEAR_HEADINGS, year_rows(plan)),
        ("heaters", LINE_HEADINGS, line_rows(plan)),
        ("compared", SCENARIO_HEADINGS, scenario_rows(plan)),
        ("how sure", ("what the plan stands on",), ([line] for line in notes(plan))),
    )
    for title, headings, rows in sheets:
        sheet = book.create_sheet(title)
        sheet.freeze_panes = "A2"
        sheet.append(list(headings))
        for row in rows:
            cells = [_safe(cell) for cell in row]
            sheet.append([ILLEGAL_CHARACTERS_RE.sub("\ufffd", c) if isinstance(c, str) else c for c in cells])
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def notes(plan: CapitalPlan) -> list[str]:
    result, currency = plan.result or {}, currency_of(plan)
    exact = "by mixed-integer programming" if result["method"] == "exact" else "by prices on the caps"
    return [
        f"From the forecast as of {plan.run.as_of}, random seed {plan.run.seed}, {result['paths']} joint paths.",
        f"Chosen {exact}: no plan under these caps can be better by more than {currency} {Decimal(result['gap']):,.2f}.",
        "The plan is least in expected cost for good, discounted, not in what falls due within the years shown: "
        "a heater replaced early is younger at their end.",
        "The cap binds the money set aside for planned work, also for heaters that fail first; emergencies come on top. "
        "The rest of a running year has its part of the cap by days.",
        "What goes in later is run to failure in the comparison; successors are like for like.",
        "All ways are followed through the same draws, so that their differences are not noise.",
        "This is a forecast, not an inspection: a heater that leaks or smells of gas is dealt with at once, whatever its year.",
    ]


def best_age_lines(plan: CapitalPlan) -> list[str]:
    lines = []
    for row in (plan.result or {})["kinds"]:
        name = kind_words(row["kind"])
        if row["advice"] == "run to failure" or row["best"] is None:
            lines.append(f"{name}: run to failure; no age saves enough to be sure of.")
            continue
        high = "run to failure" if row["high"] is None else f"{row['high']} years"
        lines.append(
            f"{name}: best replaced at {row['best']} years (80 % interval {row['low']} years to {high})."
        )
    return lines


def reserve_lines(plan: CapitalPlan) -> list[str]:
    reserve, currency = (plan.result or {})["reserve"], currency_of(plan)
    chance = f"{Decimal(reserve['shortfall_limit']) * 100:.0f} %"
    ways = "; ".join(
        f"{row['words'].lower()} {currency} {row['contribution']:,.2f}" for row in scenarios(plan)
    )
    return [
        f"Contribution a year so that the fund falls short with a chance of at most {chance}: {ways}.",
        f"Opening balance {currency} {Decimal(reserve['opening_balance']):,.2f}, {reserve['percent_funded']} % of the "
        f"fully funded balance of {currency} {Decimal(reserve['fully_funded']):,.2f} (straight line over typical lives).",
        f"Paying each year only the expected cost of this plan (about {currency} "
        f"{Decimal(reserve['expected_a_year']):,.2f} a year) a special assessment would be needed with a chance of "
        f"{reserve['assessment_chance'] * 100:.0f} %, of {currency} {Decimal(reserve['assessment_mean']):,.2f} on average "
        "when it is.",
        "The contribution is level over all years: where much falls due at once, the first bills decide it, and an "
        "opening balance lowers it.",
    ]


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
        f"{Decimal(result['planned_total']):,.2f} in all, {Decimal(result['saving']):,.2f} saved in the long run "
        "against running to failure.",
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
            f"{row['long_run_saving']:,.0f}",
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
        "long-run saving",
        "reserve a year",
    ]
    return aligned(headings, rows)
