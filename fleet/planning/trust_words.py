"""A stored check as people read it: rows for tables, and aligned lines for a terminal."""

from __future__ import annotations

from datetime import date
from typing import Any

from fleet.estate.models import Property
from fleet.pages.reading import a_day
from fleet.pages.words import how_many
from fleet.planning.prices import kind_words
from fleet.planning.printed import aligned

GROUPING_WORDS = {
    "year": ("calendar year", "Failures by calendar year"),
    "age": ("age in years", "Failures by age"),
    "kind": ("kind", "Failures by kind"),
    "property": ("property", "Failures by property"),
}
UNKNOWN = "–"


def number(value: float | None, digits: int = 1) -> str:
    return UNKNOWN if value is None else f"{value:.{digits}f}"


def verdict_title(verdict: dict[str, Any]) -> str:
    """The verdict in three words, for a heading and a mark that does not rely on colour."""
    if verdict["earned"] is None:
        return "Too early to say"
    return "It has earned trust" if verdict["earned"] else "It has not earned trust yet"


def weak_spots(verdict: dict[str, Any]) -> list[str]:
    """Where it has not, with the names of properties instead of their numbers."""
    names = {
        f"property {pk}:": f"property {name}:" for pk, name in Property.objects.values_list("pk", "name")
    }
    found = []
    for words in verdict["weak_spots"]:
        head, colon, rest = words.partition(":")
        found.append(names.get(head + colon, head + colon) + rest)
    return found


def sample_words(result: dict[str, Any]) -> str:
    """Says so where only part of a large fleet was checked."""
    checked, all_of_them = result.get("heaters_checked", 0), result.get("heaters_on_record", 0)
    if checked >= all_of_them:
        return ""
    return f"Checked on {checked:,} of {all_of_them:,} heaters on record: whole buildings, drawn by lot."


def landmark_rows(result: dict[str, Any]) -> list[list[str]]:
    return [
        [
            f"{a_day(date.fromisoformat(row['landmark']))}, {how_many(row['horizon_years'], 'year')}",
            str(row["heaters"]),
            number(row["expected"]),
            f"{number(row['p10'], 0)} to {number(row['p90'], 0)}",
            str(row["observed"]),
            "yes" if row["covered"] else "no",
            number(row["brier"], 3),
            slope_words(row),
        ]
        for row in result["landmarks"]
    ]


LANDMARK_HEADINGS = (
    "forecast made on, for",
    "heaters",
    "expected",
    "80 % range",
    "failed",
    "within",
    "Brier score",
    "calibration slope",
)


def slope_words(row: dict[str, Any]) -> str:
    if row["slope"] is None:
        return UNKNOWN
    return (
        f"{row['slope']:.2f} ± {row['slope_se']:.2f}"
        if row["slope_se"] is not None
        else f"{row['slope']:.2f}"
    )


def coverage_words(result: dict[str, Any]) -> str:
    rows = result["landmarks"]
    if not rows:
        return ""
    inside = sum(1 for row in rows if row["covered"])
    return (
        f"The 80 % range held what happened in {inside} of {len(rows)} forecasts tested; they overlap in time, so "
        "they are not that many separate trials."
    )


def score_rows(result: dict[str, Any]) -> list[list[str]]:
    return [
        [
            row["forecast"],
            number(row["log_score"], 4),
            number(row["brier"], 4),
            f"{row['scored']} of {row['of']}",
        ]
        for row in result["scores"]
    ]


def group_name(grouping: str, group: str, properties: dict[str, str]) -> str:
    if grouping == "kind":
        return kind_words(group)
    return properties.get(group, f"no longer on record ({group})") if grouping == "property" else group


def expected_rows(result: dict[str, Any], grouping: str) -> list[dict[str, Any]]:
    """Observed and expected failures of each group, with its name; `off` says where they lie far apart."""
    properties = (
        {str(pk): name for pk, name in Property.objects.values_list("pk", "name")}
        if grouping == "property"
        else {}
    )
    return [
        {
            **row,
            "name": group_name(grouping, row["group"], properties),
            "off": not row["ratio_low"] <= 1 <= row["ratio_high"],
        }
        for row in result["expected"][grouping]
    ]


def check_lines(result: dict[str, Any], day: date) -> list[str]:
    verdict = result["verdict"]
    lines = [
        f"How far to trust the forecast, record as of {day}: {verdict_title(verdict).lower()}.",
        "",
        verdict["words"],
        *([sample_words(result)] if sample_words(result) else []),
        *(f"- where it was off: {words}" for words in weak_spots(verdict)),
    ]
    if result["landmarks"]:
        lines += [
            "",
            "Earlier forecasts and what happened",
            *aligned(LANDMARK_HEADINGS, landmark_rows(result)),
        ]
        lines += ["", coverage_words(result)]
        lines += [
            "",
            "Scores on single heaters, held out (log score: nearer 0 is better; Brier: smaller is better)",
            *aligned(["forecast", "log score", "Brier", "heaters scored"], score_rows(result)),
        ]
    for grouping, (heading, title) in GROUPING_WORDS.items():
        rows = [
            [
                row["name"],
                number(row["exposure_years"], 0),
                number(row["observed"]),
                number(row["expected"]),
                f"{number(row['expected_p10'])} to {number(row['expected_p90'])}",
                "off" if row["off"] else "",
            ]
            for row in expected_rows(result, grouping)
        ]
        if rows:
            headings = [heading, "heater-years", "failed", "expected", "80 % range", ""]
            lines += ["", f"{title}, on record and by the model fitted to it", *aligned(headings, rows)]
    return lines
