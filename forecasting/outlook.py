"""What lies ahead of each heater: chance of failure, remaining life, and how it changes over the years."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecasting.episodes import FloatArray, FutureStates, IntArray
from forecasting.posterior import Posterior
from forecasting.reasons import reasons
from forecasting.risk import (
    ChunkRisk,
    Float32Array,
    Multipliers,
    building_multipliers,
    check_states,
    chunk_risk,
    failure_probabilities,
    kind_chunks,
    march,
    pick_draws,
)
from forecasting.threads import in_threads
from forecasting.what_if import what_would_change

__all__ = ["failure_probabilities", "heater_curve", "heater_outlooks", "reasons", "what_would_change"]

LONGEST_YEARS = 80  # remaining lives are followed this far ahead at most
CURVE_DRAWS = 60


def heater_outlooks(
    posterior: Posterior,
    states: FutureStates,
    horizons_years: tuple[int, ...] = (1, 3, 5, 10),
    most_draws: int = 200,
) -> pd.DataFrame:
    """One row a heater, in the order of ``states.heater_ids``.

    p_fail_{h}y           chance of failing within h years given that it works today, averaged over the draws
    p_fail_{h}y_p10, _p90 80 % interval of that chance over the draws (what we do not know of the parameters)
    p_fail_12_months, p_fail_36_months   the same as 1 and 3 years, always present
    remaining_life_p10_years, _median_years, _p90_years   quantiles of the remaining life itself (chance and
                          parameters together), not above 80; planned removals are not counted in
    age_years, age_known  mean age over the possible install dates given survival; whether it was on record

    Method: p = 1 - mean over ages of exp(H(a) - H(a + h)), H piecewise by year (Hong, Meeker and McCalley
    2009, Annals of Applied Statistics 3(2):857-879, the age-adjusted distribution).  Raises ValueError when
    states and posterior do not belong together or a horizon is not a whole number of years above zero.
    """
    check_states(posterior, states)
    if any(h < 1 or int(h) != h for h in horizons_years):
        raise ValueError(f"horizons_years {horizons_years}: give whole years, at least 1")
    wanted = tuple(sorted(set(int(h) for h in horizons_years) | {1, 3}))
    draws = pick_draws(posterior, most_draws)
    multipliers = building_multipliers(posterior, states, draws)
    count = len(states.heater_ids)
    chances = np.zeros((count, len(wanted), 3))
    lives = np.zeros((count, 3))
    age = np.zeros(count)

    def one(block: tuple[int, IntArray]) -> None:
        kind, rows = block
        risk = chunk_risk(posterior, states, multipliers, draws, kind, rows, LONGEST_YEARS)
        chances[rows] = _chances(risk, wanted)
        lives[rows] = _remaining_life(_mean_curve(risk))
        age[rows] = (risk.ages * risk.weights.mean(axis=2)).sum(axis=1)

    in_threads(one, list(kind_chunks(states)))
    frame: dict[str, object] = {"heater_id": states.heater_ids}
    for index, horizon in enumerate(wanted):
        if horizon in horizons_years:
            frame[f"p_fail_{horizon}y"] = chances[:, index, 0]
            frame[f"p_fail_{horizon}y_p10"] = chances[:, index, 1]
            frame[f"p_fail_{horizon}y_p90"] = chances[:, index, 2]
    frame["p_fail_12_months"] = chances[:, wanted.index(1), 0]
    frame["p_fail_36_months"] = chances[:, wanted.index(3), 0]
    frame["remaining_life_median_years"] = lives[:, 1]
    frame["remaining_life_p10_years"] = lives[:, 0]
    frame["remaining_life_p90_years"] = lives[:, 2]
    frame["age_years"] = age
    frame["age_known"] = states.known.get("age", np.ones(count, dtype=bool))
    return pd.DataFrame(frame)


def _chances(risk: ChunkRisk, wanted: tuple[int, ...]) -> FloatArray:
    """(n, horizons, 3): mean, tenth and ninetieth percentile over the draws."""
    answer = np.zeros((len(risk.ages), len(wanted), 3))
    for index, (_, survival) in enumerate(march(risk, wanted)):
        failed = np.clip(1 - survival, 0, 1)
        answer[:, index, 0] = failed.mean(axis=1, dtype=float)
        failed.sort(axis=1)
        for place, share in ((1, 0.1), (2, 0.9)):
            answer[:, index, place] = failed[:, int(round(share * (failed.shape[1] - 1)))]
    return answer


def _mean_curve(risk: ChunkRisk) -> FloatArray:
    """Survival by year ahead averaged over a thinned set of draws, (n, years + 1), until all are below 10 %."""
    keep = np.unique(np.linspace(0, len(risk.shape) - 1, CURVE_DRAWS).round().astype(int))
    thin = ChunkRisk(
        risk.shape[keep],
        np.ascontiguousarray(risk.rates[:, :, keep]),
        risk.ages,
        np.ascontiguousarray(risk.weights[:, :, keep]),
    )
    curve: list[Float32Array] = [np.ones(len(risk.ages), dtype=np.float32)]
    for _, survival in march(thin, range(1, LONGEST_YEARS + 1)):
        curve.append(survival.mean(axis=1))
        if float(curve[-1].max(initial=0.0)) < 0.1:
            break
    return np.stack(curve, axis=1).astype(float)


def _remaining_life(curve: FloatArray) -> FloatArray:
    """Years until 10, 50 and 90 % have failed, log survival straight within a year."""
    last = curve.shape[1] - 1
    log_curve = np.log(np.maximum(curve, 1e-30))
    answer = np.empty((len(curve), 3))
    for index, left in enumerate((0.9, 0.5, 0.1)):
        below = curve <= left
        at = np.where(below.any(axis=1), below.argmax(axis=1), last)
        upper = np.take_along_axis(log_curve, np.maximum(at - 1, 0)[:, None], axis=1)[:, 0]
        lower = np.take_along_axis(log_curve, at[:, None], axis=1)[:, 0]
        fall = np.maximum(upper - lower, 1e-12)
        answer[:, index] = np.clip(at - 1 + (upper - np.log(left)) / fall, 0, last)
    return answer


def heater_curve(
    posterior: Posterior, states: FutureStates, index: int, years: int = 20, most_draws: int = 400
) -> pd.DataFrame:
    """One heater's curve for a picture: year, p_failed, p10, p90 (80 % interval over the draws).

    ``index`` is the heater's row in ``states``.  Raises IndexError when there is no such row.
    """
    check_states(posterior, states)
    if not 0 <= index < len(states.heater_ids):
        raise IndexError(f"row {index}: states hold {len(states.heater_ids)} heaters")
    draws = pick_draws(posterior, most_draws)
    multipliers: Multipliers = building_multipliers(posterior, states, draws)
    rows = np.array([index])
    risk = chunk_risk(posterior, states, multipliers, draws, int(states.kind[index]), rows, years)
    table = [(0, 0.0, 0.0, 0.0)]
    for year, survival in march(risk, range(1, years + 1)):
        failed = np.clip(1 - survival[0].astype(float), 0, 1)
        low, high = np.quantile(failed, [0.1, 0.9])
        table.append((year, float(failed.mean()), float(low), float(high)))
    return pd.DataFrame(table, columns=["year", "p_failed", "p10", "p90"])
