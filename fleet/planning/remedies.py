"""What would change a heater's outlook, computed by the forecast itself and kept with it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

    from forecasting.episodes import Records
    from forecasting.posterior import Posterior

MOST_HEATERS = (
    2000  # those likeliest to fail; for the rest nobody asks, and each action is a forecast of its own
)
YEARS = 5
SMALLEST_GAIN = 0.01  # a chance that falls by less than a point is not worth a line


def remedies(
    posterior: Posterior, records: Records, outlooks: pd.DataFrame, most: int = MOST_HEATERS
) -> dict[int, list[dict[str, Any]]]:
    """By heater, the actions that lower its chance of failing within five years, the strongest first.

    The chance to begin with is the outlook's own, so that a heater's page has one chance for five years; the change is
    that between the record as it is and with the action in it, both read alone.
    """
    from forecasting.outlook import what_would_change

    likeliest = outlooks.sort_values(["p_fail_36_months", "heater_id"], ascending=[False, True]).head(most)
    found = what_would_change(posterior, records, likeliest["heater_id"].tolist(), YEARS)
    helping = found[found["change"] < -SMALLEST_GAIN].sort_values(["heater_id", "change"])
    chance = outlooks.set_index("heater_id")[f"p_fail_{YEARS}y"].round(4).to_dict()
    answer: dict[int, list[dict[str, Any]]] = {}
    for row in helping.to_dict("records"):
        before = float(chance[row["heater_id"]])
        answer.setdefault(int(row["heater_id"]), []).append(
            {
                "action": row["action"],
                "words": row["words"],
                "caution": row["caution"],
                "years": YEARS,
                "p_before": before,
                "p_after": round(max(before + float(row["change"]), 0.0), 4),
                # A change of -3 to -1 points, the most helpful end first.
                "change": [round(float(row[name]), 4) for name in ("change_p10", "change_p90")],
            }
        )
    return answer
