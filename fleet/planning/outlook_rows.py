"""A forecast's ranked heaters as rows of their table: plain values, column by column, for writing very many at once."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

    from fleet.planning.chain import Answer
    from fleet.planning.models import ForecastRun

OUTLOOK_YEARS = (1, 3, 5, 10)
MEASURES = (
    "age_years",
    "p_fail_12_months",
    "p_fail_36_months",
    "remaining_life_p10_years",
    "remaining_life_median_years",
    "remaining_life_p90_years",
)
COLUMNS = (
    *(
        "organisation_id",
        "run_id",
        "rank",
        "heater_id",
        "age_known",
        *MEASURES,
        "planned_cost",
        "emergency_cost",
    ),
    *("reasons", "chances", "remedies"),
)
RANKED_BY = slice(2, None)  # what a digest of the ranked list holds: all but whose run it is


def outlook_rows(run: ForecastRun, answer: Answer) -> list[tuple[Any, ...]]:
    """Rows of COLUMNS, ranked by the chance of failing within 36 months, then 12 months, then the heater's number."""
    order = ["p_fail_36_months", "p_fail_12_months", "heater_id"]
    ranked = answer.outlooks.sort_values(order, ascending=[False, False, True], kind="stable")
    heaters = ranked["heater_id"].tolist()
    why = _reasons(answer.reasons)
    helping = {heater: _text(actions) for heater, actions in answer.remedies.items()}
    return list(
        zip(
            [run.organisation_id] * len(heaters),
            [run.pk] * len(heaters),
            range(1, len(heaters) + 1),
            heaters,
            ranked["age_known"].tolist(),
            *(ranked[name].round(6).tolist() for name in MEASURES),
            ranked["planned_cost"].tolist(),
            ranked["emergency_cost"].tolist(),
            [why.get(heater, "[]") for heater in heaters],
            _chances(ranked),
            [helping.get(heater, "[]") for heater in heaters],
            strict=True,
        )
    )


_text = json.JSONEncoder(separators=(",", ":")).encode  # made once: it is called three times a heater


def _reasons(reasons: pd.DataFrame) -> dict[int, str]:
    """By heater, its reasons in their order as JSON."""
    ordered = reasons.sort_values(["heater_id", "rank"])
    columns = ("words", "covariate", "assumed")
    amounts = ordered["log_hazard_contribution"].astype(float).round(4)
    found: dict[int, list[dict[str, Any]]] = {}
    rows = zip(
        ordered["heater_id"].tolist(),
        *(ordered[name].tolist() for name in columns),
        amounts.tolist(),
        strict=True,
    )
    for heater, words, covariate, assumed, amount in rows:
        found.setdefault(heater, []).append(
            {"words": words, "covariate": covariate, "assumed": assumed, "log_hazard": amount}
        )
    return {heater: _text(rows) for heater, rows in found.items()}


def _chances(ranked: pd.DataFrame) -> list[str]:
    """Years ahead, chance of failure by then, and its 80 % interval, as JSON."""
    by_year = [
        list(
            zip(
                *(ranked[f"p_fail_{years}y{end}"].round(4).tolist() for end in ("", "_p10", "_p90")),
                strict=True,
            )
        )
        for years in OUTLOOK_YEARS
    ]
    return [
        _text([[years, *three] for years, three in zip(OUTLOOK_YEARS, chances, strict=True)])
        for chances in zip(*by_year, strict=True)
    ]
