"""One heater on the survival curve of its kind: where it stands, and how likely it still works at each later age."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from fleet.pages import words
from fleet.pages.forecasts import Outlook
from fleet.planning.models import ForecastRun

Rows = list[dict[str, float]]
NAMES = ("age", "working", "p10", "p90")
FEW_LEFT = 0.01  # the curve is drawn until fewer of its kind than this still work


@dataclass(frozen=True)
class Survival:
    """Ages in years, shares from 0 to 1. `kind` starts at a new unit, `own` at this heater's age on the run's day."""

    kind: Rows
    own: Rows
    age: float
    reached: float  # the share of its kind that still works at this age
    age_known: bool
    half_gone_after: float  # years from now


def of_heater(run: ForecastRun | None, outlook: Outlook | None, kind: str) -> Survival | None:
    """None where the run says nothing of this kind, or where its reader does not see the portfolio's run."""
    lives: dict[str, Any] = (run.diagnostics or {}).get("lives") or {} if run else {}
    if outlook is None or not lives.get(kind):
        return None
    curve = [dict(zip(NAMES, row, strict=True)) for row in lives[kind]]
    age = outlook.age_years
    ahead = max((years for years, *_ in outlook.chances), default=0.0)
    return Survival(
        [row for row in curve if row["working"] >= FEW_LEFT or row["age"] <= age + ahead],
        _own(age, outlook.chances),
        age,
        _at(curve, age),
        outlook.age_known,
        outlook.median_years,
    )


def _own(age: float, chances: Sequence[tuple[float, float, float, float]]) -> Rows:
    """What the outlook says of failing, said of working; its higher chance of failing is the lower of working."""
    now = {"age": age, "working": 1.0, "p10": 1.0, "p90": 1.0}
    return [
        now,
        *(
            {"age": age + years, "working": 1 - failed, "p10": 1 - high, "p90": 1 - low}
            for years, failed, low, high in chances
        ),
    ]


def _at(curve: Rows, age: float) -> float:
    for before, after in pairwise(curve):
        if before["age"] <= age <= after["age"]:
            part = (age - before["age"]) / (after["age"] - before["age"])
            return before["working"] + part * (after["working"] - before["working"])
    return curve[-1]["working"]


def table(found: Survival) -> list[tuple[str, str, str, bool]]:
    """Age, share of its kind still working, its 80 % interval; the row of this heater's own age is marked."""
    rows = [(row["age"], f"{row['age']:.0f}", row, False) for row in found.kind]
    here = {"age": found.age, "working": found.reached}
    rows.append((found.age, f"{found.age:.1f}", here, True))
    return [
        (name, words.percent(row["working"]), _interval(row), mine)
        for _, name, row, mine in sorted(rows, key=lambda row: (row[0], row[3]))
    ]


def _interval(row: dict[str, float]) -> str:
    return f"{words.percent(row['p10'])} to {words.percent(row['p90'])}" if "p10" in row else ""
