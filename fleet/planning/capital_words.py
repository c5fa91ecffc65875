"""A stored capital plan as rows and words; screen, files and command all read it here."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from fleet.pages import words
from fleet.planning.capital_rows import CapitalLine, CapitalPlan
from fleet.planning.explained import made_of_words
from fleet.planning.models import HeaterOutlook
from fleet.planning.prices import kind_words
from fleet.planning.successors import successor_words

SCENARIO_WORDS = {
    "capped": "This plan",
    "run_to_failure": "Run to failure",
    "by_age": "Replace at age {age}",
    "more_care": "Run to failure, more care",
    "softening": "Run to failure, softened water",
    "defer": "This plan, one year later",
}
SCENARIO_HELP = {
    "capped": "the cap, the lists and the crew as asked for",
    "run_to_failure": "nothing is replaced before it fails; care goes on as recorded",
    "by_age": "everything is replaced when it reaches that age, whatever it costs a year",
    "more_care": "flushed yearly and anodes renewed in time, at the prices of the cost book; nothing is replaced early",
    "softening": "every building on raw water gets a softener, at the prices of the cost book; nothing is replaced early",
    "defer": "every planned replacement waits one whole year longer",
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
    "emergencies_expected", "homes_without_hot_water", "cost_expected", "cost_p10", "cost_p90", "currency",
)  # fmt: skip
SCENARIO_HEADINGS = (
    "way", "expected_cost", "p10", "p90", "difference_to_run_to_failure", "difference_p10", "difference_p90",
    "spread_p10_to_p90", "planned", "emergencies", "emergencies_avoided", "homes_without_hot_water", "care_and_softeners",
    "long_run_saving", "reserve_contribution_a_year", "currency",
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
        costs = [Decimal(year[name]) for name in ("cost", "cost_p10", "cost_p90")]
        yield [*counts, *amounts, year["emergencies"], year["homes"], *costs, currency_of(plan)]


_MONEY = (
    "cost", "cost_p10", "cost_p90", "difference", "difference_p10", "difference_p90", "spread", "care",
    "contribution",
)  # fmt: skip


def way_words(plan: CapitalPlan, name: str) -> str:
    return SCENARIO_WORDS[name].format(age=plan.compare_age_years)


def scenarios(plan: CapitalPlan) -> list[dict[str, Any]]:
    """The ways side by side, amounts as Decimal."""
    return [
        {
            **row,
            **{name: Decimal(row[name]) for name in _MONEY},
            "long_run_saving": None if row["long_run_saving"] is None else Decimal(row["long_run_saving"]),
            "words": way_words(plan, row["name"]),
            "help": SCENARIO_HELP[row["name"]],
        }
        for row in (plan.result or {})["scenarios"]
    ]


def scenario_rows(plan: CapitalPlan) -> Iterator[list[Any]]:
    names = (
        "words", "cost", "cost_p10", "cost_p90", "difference", "difference_p10", "difference_p90", "spread", "planned",
        "emergencies", "emergencies_avoided", "homes", "care", "long_run_saving", "contribution",
    )  # fmt: skip
    for row in scenarios(plan):
        yield [*("" if row[name] is None else row[name] for name in names), currency_of(plan)]


def property_rows(plan: CapitalPlan, lines: list[Shown] | None = None) -> list[list[Any]]:
    """Money set aside per property and fiscal year, ways shared taken off; each year sums to the plan's."""
    years = (plan.result or {})["years"]
    table: dict[str, list[Decimal]] = {}
    counts: dict[str, int] = {}
    visited: set[tuple[int, int]] = set()
    for shown in shown_lines(plan) if lines is None else lines:
        line = shown.line
        if line.period < 0:
            continue
        building = line.heater.position.building
        name = building.property.name
        row = table.setdefault(name, [Decimal(0)] * len(years))
        key = (building.pk, line.period)
        shared = Decimal(years[line.period]["visit"]) if key in visited else Decimal(0)
        visited.add(key)
        row[line.period] += line.set_aside - shared
        counts[name] = counts.get(name, 0) + 1
    return [[name, counts[name], *table[name], sum(table[name], Decimal(0))] for name in sorted(table)]


def compared(plan: CapitalPlan, first: str, second: str) -> dict[str, Any] | None:
    """Two ways against each other: what the first costs more than the second; None for a pair that is not there."""
    for pair in (plan.result or {}).get("pairs", []):
        if {pair["first"], pair["second"]} != {first, second} or first == second:
            continue
        turned = pair["first"] != first
        sign = -1 if turned else 1
        low, high = ("difference_p90", "difference_p10") if turned else ("difference_p10", "difference_p90")
        return {
            "difference": sign * Decimal(pair["difference"]),
            "difference_p10": sign * Decimal(pair[low]),
            "difference_p90": sign * Decimal(pair[high]),
            "emergencies": sign * pair["emergencies"],
            "homes": sign * pair["homes"],
            "first_cheaper": 1 - pair["first_cheaper"] if turned else pair["first_cheaper"],
        }
    return None


def saving_words(plan: CapitalPlan) -> str:
    """What the plan saves: the heaters planned, as their column sums; then with what is done after these years."""
    result, currency = plan.result or {}, currency_of(plan)
    whole = f"{currency} {Decimal(result['saving']):,.2f}"
    if "planned_saving" not in result:  # made before the two were told apart
        return f"Against running everything to failure this saves {whole} in the long run, expected and discounted."
    return (
        f"Against running them to failure the heaters planned save {currency} {Decimal(result['planned_saving']):,.2f} in "
        "the long run, expected and discounted. With the others replaced after these years, at their best age where "
        f"that pays, the long run saves {whole}."
    )


def notes(plan: CapitalPlan) -> list[str]:
    result, currency = plan.result or {}, currency_of(plan)
    exact = "by mixed-integer programming" if result["method"] == "exact" else "by prices on the caps"
    return [
        f"From the forecast as of {words.a_day(plan.run.as_of)}, random seed {plan.run.seed}, {result['paths']} joint paths.",
        f"Chosen {exact}: no plan under these caps can be better by more than {currency} {Decimal(result['gap']):,.2f}.",
        "The plan is least in expected cost for good, discounted, not in what falls due within the years shown: "
        "a heater replaced early is younger at their end.",
        "The long-run saving of a way counts what is left at the end of these years as replaced later, at its best age "
        "where that pays. What each heater saves is counted for the heaters planned only, and sums to their saving.",
        "The cap binds the money set aside for planned work, also for heaters that fail first; emergencies come on top. "
        "The rest of a running year has its part of the cap by days.",
        "What goes in later is run to failure in the comparison.",
        f"What goes in next: {successor_words(plan.organisation_id)}.",
        "Homes without hot water: each emergency counts the homes its heater serves"
        + (
            f"; {result['homes_assumed']} heaters without that on record count as one home"
            if result["homes_assumed"]
            else ""
        )
        + ".",
        *made_of_words(result["made_of"], currency),
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
    paid = Decimal(reserve["contribution"])
    whose = "entered" if reserve["contribution_entered"] else "what the limit needs"
    return [
        f"Contribution a year so that the fund falls short with a chance of at most {chance}: {ways}.",
        f"With {currency} {paid:,.2f} a year ({whose}), interest of {Decimal(reserve['interest']) * 100:.1f} % and other "
        f"draws of {currency} {Decimal(reserve['other_draws']):,.2f} a year the fund falls short in some year with a "
        f"chance of {reserve['shortfall_chance'] * 100:.0f} %, then by {currency} "
        f"{Decimal(reserve['shortfall_mean']):,.2f} on average: the special assessment to expect.",
        f"Opening balance {currency} {Decimal(reserve['opening_balance']):,.2f}, {reserve['percent_funded']} % of the "
        f"fully funded balance of {currency} {Decimal(reserve['fully_funded']):,.2f} (straight line over typical lives).",
        f"Paying each year only the expected cost of this plan (about {currency} "
        f"{Decimal(reserve['expected_a_year']):,.2f} a year) a special assessment would be needed with a chance of "
        f"{reserve['assessment_chance'] * 100:.0f} %, of {currency} {Decimal(reserve['assessment_mean']):,.2f} on average "
        "when it is.",
        "The contribution is level over all years: where much falls due at once, the first bills decide it, and an "
        "opening balance lowers it.",
    ]


def reserve_rows(plan: CapitalPlan) -> list[dict[str, Any]]:
    money = ("contribution", "draws", "p10", "p50", "p90")
    return [
        {**year, **{name: Decimal(year[name]) for name in money}}
        for year in (plan.result or {})["reserve"]["years"]
    ]
