"""What a report says, as plain values read from a stored plan: PDF, XLSX and the shared page show the same.

Nothing personal goes in: no person's name, address or contact, nobody who quoted a price.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from fleet.pages import charts
from fleet.pages.words import how_many
from fleet.planning import capital_words, explained, plan_charts
from fleet.planning.capital_rows import CapitalPlan
from fleet.planning.code_cautions import CAUTIONS

MOST_HEATERS = 1500  # rows of the ranked list on paper; the workbook holds all of them


def plain_money(value: Any, currency: str = "") -> str:
    text = f"{Decimal(value):,.2f}"
    return f"{currency} {text}" if currency else text


def _apart(difference: Any, currency: str) -> str:
    """`USD 1,200.00 less` in place of a signed amount."""
    return (
        f"{plain_money(abs(Decimal(difference)), currency)} {'less' if Decimal(difference) < 0 else 'more'}"
    )


def content_of(plan: CapitalPlan, made_on: date) -> dict[str, Any]:
    """Everything of the report; every amount is text with two decimals."""
    lines = capital_words.shown_lines(plan)
    ways = {row["name"]: row for row in capital_words.scenarios(plan)}
    currency = capital_words.currency_of(plan)
    result: dict[str, Any] = plan.result or {}
    method = _method(plan)
    return {
        "title": "Water heaters: the capital plan",
        "organisation": plan.organisation.name,
        "invented": plan.organisation.invented,
        "as_of": str(plan.run.as_of),
        "made_on": str(made_on),
        "currency": currency,
        "first_page": _first_page(plan, ways, currency),
        "pictures": _pictures(plan, ways, currency),
        "years": _years(result),
        "planned_total": plain_money(result["planned_total"]),
        "properties": _properties(plan, lines),
        "ways": [_way(row) for row in ways.values()],
        "reserve": capital_words.reserve_lines(plan),
        "reserve_years": [
            {
                **{name: plain_money(row[name]) for name in ("contribution", "draws", "p10", "p50", "p90")},
                "label": row["label"],
                "shortfall": _percent(row["shortfall"]),
            }
            for row in capital_words.reserve_rows(plan)
        ],
        "heaters": _heaters(lines),
        "heaters_left_out": max(0, len(lines) - MOST_HEATERS),
        "best_ages": capital_words.best_age_lines(plan),
        "method": method,
        # What the prices are made of stands among the plan's own notes already.
        "assumptions": [line for line in explained.assumptions(plan.run) if line not in method],
        "data_quality": explained.how_sure(plan.run),
        "cautions": list(CAUTIONS),
    }


def _percent(value: float) -> str:
    return "under 1 %" if 0 < value < 0.005 else f"{value * 100:.0f} %"


def _in_words(label: str) -> str:
    """A fiscal year's name within a sentence: 'the rest of FY 2026', 'FY 2027'."""
    return f"the {label}" if label.startswith("rest of ") else label


def _first_page(plan: CapitalPlan, ways: dict[str, Any], currency: str) -> list[dict[str, Any]]:
    """What, how much, how sure, and what if nothing is done."""
    result: dict[str, Any] = plan.result or {}
    capped, plain = ways["capped"], ways["run_to_failure"]
    first = next((year for year in result["years"] if year["heaters"]), None)
    soonest = (
        f"The first go in {_in_words(first['label'])}: {how_many(first['heaters'], 'heater')} for {plain_money(first['set_aside'], currency)}."
        if first
        else "No heater is worth replacing before it fails."
    )
    spread = plan.run.in_brief.get("spread") or {}
    known = (
        f"Of that spread {_percent(spread['parameters'])} comes from lifetimes that longer records would show better, "
        f"{_percent(spread['chance'])} from chance and {_percent(spread['prices'])} from the growth of prices."
        if any(spread.values())
        else ""
    )
    return [
        {
            "heading": "What",
            "words": [
                f"Replace {result['heaters_planned']} of {result['heaters']} water heaters before failure, under a cap of "
                f"{plain_money(plan.cap, currency)} a fiscal year. {soonest}",
            ],
        },
        {
            "heading": "How much",
            "words": [
                f"{plain_money(result['planned_total'], currency)} set aside for planned work over "
                f"{_in_words(result['years'][0]['label'])} to {result['years'][-1]['label']}. With the emergencies that remain, all years "
                f"together cost {plain_money(capped['cost'], currency)}, expected.",
                f"The reserve fund needs {plain_money(capped['contribution'], currency)} a year.",
            ],
        },
        {
            "heading": "How sure",
            "words": [
                f"Eight times in ten the cost of all years lies between {plain_money(capped['cost_p10'], currency)} and "
                f"{plain_money(capped['cost_p90'], currency)}. {known}".strip(),
                *explained.how_sure(plan.run)[:1],
                *explained.watching_words(plan.run),
            ],
        },
        {
            "heading": "What if we do nothing",
            "words": [
                f"Run to failure, all years cost {plain_money(plain['cost'], currency)} expected, with about "
                f"{plain['emergencies']:.1f} emergencies instead of {capped['emergencies']:.1f} and {plain['homes']:.1f} homes "
                f"without hot water instead of {capped['homes']:.1f}.",
                f"{capital_words.saving_words(plan)} The plan also leaves younger heaters behind. "
                f"Within these years alone it costs {_apart(capped['difference'], currency)}.",
            ],
        },
    ]


def _pictures(plan: CapitalPlan, ways: dict[str, Any], currency: str) -> dict[str, str]:
    return {
        "plan": charts.svg(plan_charts.planned_money((plan.result or {})["years"], currency)),
        "ways": charts.svg(plan_charts.ways_compared(list(ways.values()), currency)),
    }


def _years(result: dict[str, Any]) -> list[dict[str, str]]:
    money = ("set_aside", "cap", "left", "cost", "cost_p10", "cost_p90")
    return [
        {
            "label": year["label"],
            "last_day": year["last_day"],
            "heaters": str(year["heaters"]),
            "visits": str(year["visits"]),
            "emergencies": f"{year['emergencies']:.1f}",
            "homes": f"{year['homes']:.1f}",
            **{name: plain_money(year[name]) for name in money},
        }
        for year in result["years"]
    ]


def _properties(plan: CapitalPlan, lines: list[capital_words.Shown]) -> list[dict[str, Any]]:
    return [
        {"name": row[0], "heaters": str(row[1]), "years": [plain_money(amount) for amount in row[2:]]}
        for row in capital_words.property_rows(plan, lines)
    ]


def _way(row: dict[str, Any]) -> dict[str, str]:
    money = ("cost", "cost_p10", "cost_p90", "difference", "contribution", "care")
    saving = row["long_run_saving"]
    return {
        "words": row["words"],
        "help": row["help"],
        "emergencies": f"{row['emergencies']:.1f}",
        "homes": f"{row['homes']:.1f}",
        "long_run_saving": "not worked out" if saving is None else plain_money(saving),
        **{name: plain_money(row[name]) for name in money},
    }


def _heaters(lines: list[capital_words.Shown]) -> list[dict[str, str]]:
    rows = []
    for shown in lines[:MOST_HEATERS]:
        line, place = shown.line, shown.line.heater.position
        rows.append(
            {
                "year": shown.year or "not planned",
                "tag": line.heater.tag,
                "where": f"{place.building.property.name}, {place.building.name}, {place.label}",
                "kind": str(line.heater.get_kind_display()),
                "set_aside": plain_money(line.set_aside),
                "fails_before": _percent(line.p_fail_before),
                "risk_avoided": plain_money(line.risk_avoided),
                "saving": plain_money(line.saving),
                "reason": shown.reason,
            }
        )
    return rows


def _method(plan: CapitalPlan) -> list[str]:
    run = plan.run
    return [
        "Each heater's chance of failing comes from a Weibull model of age, with effects of water, care, set point, pressure "
        "and use and of its building, fitted to this record and to published lifetimes together.",
        "Replacements that fail in turn are followed through joint paths; sums are taken path by path, so that every range "
        "is that of the sum and not a sum of ranges.",
        "The choice of the year of each heater is a mixed-integer program: least expected long-run cost under the caps.",
        f"Engine {run.engine_version}, inputs {run.inputs_digest[:12]}, random seed {run.seed}: run again it gives the same "
        "figures.",
        *capital_words.notes(plan),
        "Sources: lifetimes by NAHB, US EPA, US EIA and others as listed with each figure in the program's lifetime table; "
        "prices as marked in the cost book; reserve arithmetic by straight line (California Civil Code sections 5565, 5570).",
    ]
