"""Has the forecast earned trust?  Rolling back-tests, scores against simple forecasts, a plain sentence."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd

from forecasting.baselines import plain_weibull, published_table
from forecasting.episodes import BoolArray, FloatArray, FutureStates, Records, build_episodes, future_states
from forecasting.lifetimes import Prior
from forecasting.observed import (
    endings_curve,
    lives,
    model_curve,
    observed_against_expected,
    poisson_limits,
    survival_curve,
)
from forecasting.posterior import Posterior, fit
from forecasting.risk import failure_probabilities
from forecasting.scores import (
    brier_score,
    calibration_slope,
    crps_of_paths,
    interval_score,
    log_score,
    randomised_pit,
    ranking,
)
from forecasting.states import calendar_year_of, calendar_years
from forecasting.verdict import Verdict, verdict_of

__all__ = [
    "BackTest",
    "Verdict",
    "back_test",
    "brier_score",
    "calibration_slope",
    "crps_of_paths",
    "endings_curve",
    "interval_score",
    "landmarks_for",
    "lives",
    "log_score",
    "model_curve",
    "observed_against_expected",
    "poisson_limits",
    "randomised_pit",
    "ranking",
    "records_as_of",
    "survival_curve",
    "verdict_of",
]

CHECK_DRAWS = 400
FAILURES = ("tank_leak", "failed_beyond_repair")


@dataclass(frozen=True)
class BackTest:
    """What earlier forecasts would have said, and what happened.

    landmarks  one row a landmark and horizon: landmark, horizon_years, heaters, expected, p10, p90, observed,
               covered, pit, crps, interval_score, brier, slope, slope_se, log_score, log_score_plain (NaN when
               the plain fit failed), log_score_table, brier_table, ranking
    heaters    one row a heater, landmark and horizon: landmark, horizon_years, heater_id, kind, property_id,
               chance, chance_plain, chance_table, failed, removed (retired otherwise: not scored), followed
    verdict    the plain sentence
    """

    landmarks: pd.DataFrame
    heaters: pd.DataFrame
    verdict: Verdict


def records_as_of(records: Records, when: date) -> Records:
    """The records as they stood on an earlier day: nothing dated after it is left.

    Fixed facts of a heater (size, anode, set point with no dated change) are taken as known then.
    """
    stamp = pd.Timestamp(when)
    heaters = records.heaters[~(pd.to_datetime(records.heaters["record_start"]) > stamp)].copy()
    later = pd.to_datetime(heaters["ended_earliest"]).fillna(pd.to_datetime(heaters["ended_latest"])) > stamp
    heaters["ending"] = heaters["ending"].mask(later, "")
    for column in ("ended_earliest", "ended_latest"):
        heaters[column] = pd.to_datetime(heaters[column]).mask(later)
    if "softened_since" in heaters:
        softened = pd.to_datetime(heaters["softened_since"])
        heaters["softened_since"] = softened.mask(softened > stamp)
    services = records.services[~(pd.to_datetime(records.services["done_latest"]) > stamp)]
    waters = records.waters[~(pd.to_datetime(records.waters["tested_on"]) > stamp)]
    return Records(
        heaters.reset_index(drop=True), services.reset_index(drop=True), waters.reset_index(drop=True), when
    )


def landmarks_for(records: Records, most: int = 3) -> tuple[date, ...]:
    """Whole years before ``as_of``, at most ``most``, that leave at least a year of record before them."""
    first = calendar_years(records.heaters["record_start"])
    if not np.isfinite(first).any():
        return ()
    span = calendar_year_of(records.as_of) - float(np.nanmin(first))
    count = max(0, min(most, int(np.floor(span - 1 + 1e-6))))
    stamp = pd.Timestamp(records.as_of)
    return tuple((stamp - pd.DateOffset(years=back)).date() for back in range(count, 0, -1))


def back_test(
    records: Records,
    prior: Prior,
    landmarks: Sequence[date] | None = None,
    draws: int = 500,
    seed: int = 0,
    progress: Callable[[float, str], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> BackTest:
    """Fit as of each landmark, forecast, compare with what happened since.

    From each landmark every whole year up to ``records.as_of`` is a horizon.  Heaters retired otherwise
    within the horizon count until that day in the expected number and are left out of the heater by heater
    scores.  ``landmarks`` defaults to one, two and three years back as far as the record allows; with none
    possible the answer is empty and its verdict says so.  Raises ValueError for a landmark that is not at
    least a year before ``records.as_of``.
    """
    chosen = landmarks_for(records) if landmarks is None else tuple(landmarks)
    parts, rows = [], []
    for index, landmark in enumerate(chosen):
        if progress:
            progress(index / len(chosen), f"Forecasting as of {landmark.isoformat()}")
        years = int(np.floor(calendar_year_of(records.as_of) - calendar_year_of(landmark) + 0.01))
        if years < 1:
            raise ValueError(f"landmark {landmark}: must be at least a year before {records.as_of}")
        known = records_as_of(records, landmark)
        if known.heaters.empty:
            continue
        heaters, paths = _one_landmark(records, known, prior, years, draws, seed, cancelled)
        parts.append(heaters)
        for horizon in range(1, years + 1):
            own = heaters[heaters["horizon_years"] == horizon]
            rows.append(_score(landmark, horizon, own, paths[horizon], seed))
    landmarks_table = pd.DataFrame(rows)
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    if progress:
        progress(1.0, "Done")
    return BackTest(landmarks_table, table, verdict_of(landmarks_table, table))


def _one_landmark(
    records: Records,
    known: Records,
    prior: Prior,
    years: int,
    draws: int,
    seed: int,
    cancelled: Callable[[], bool] | None,
) -> tuple[pd.DataFrame, dict[int, FloatArray]]:
    episodes = build_episodes(known)
    posterior = fit(episodes, prior, draws, seed, cancelled=cancelled)
    states = future_states(known, posterior.kinds, posterior.buildings, years)
    bare = replace(states, building=np.full_like(states.building, -1))
    plain, table = plain_weibull(episodes, prior), published_table(prior)
    horizons = tuple(range(1, years + 1))
    chances = failure_probabilities(posterior, states, horizons, CHECK_DRAWS)
    simple = {
        "chance_table": failure_probabilities(table, _for(bare, posterior, table), horizons).mean(axis=1),
        "chance_plain": np.full((len(states.heater_ids), years), np.nan)
        if plain is None
        else failure_probabilities(plain, _for(bare, posterior, plain), horizons).mean(axis=1),
    }
    generator = np.random.default_rng([abs(seed), 7005, years])
    parts, paths = [], {}
    for horizon in horizons:
        failed, removed, followed = _what_happened(records, known.as_of, states, horizon)
        own = _until(chances, followed)
        happened = generator.random(own.shape) < own
        paths[horizon] = np.asarray(happened.sum(axis=0), dtype=float)
        parts.append(
            pd.DataFrame(
                {
                    "landmark": known.as_of,
                    "horizon_years": horizon,
                    "heater_id": states.heater_ids,
                    "kind": [posterior.kinds[k] for k in states.kind],
                    "property_id": states.property_id,
                    "chance": own.mean(axis=1),
                    **{name: values[:, horizon - 1] for name, values in simple.items()},
                    "failed": failed,
                    "removed": removed,
                    "followed": followed,
                }
            )
        )
    return pd.concat(parts, ignore_index=True), paths


def _for(states: FutureStates, posterior: Posterior, simple: Posterior) -> FutureStates:
    """The same heaters, numbered in the kinds of the simple forecast."""
    kinds = np.array([simple.kinds.index(kind) for kind in posterior.kinds])
    return replace(states, kind=kinds[states.kind])


def _what_happened(
    records: Records, landmark: date, states: FutureStates, horizon: int
) -> tuple[BoolArray, BoolArray, FloatArray]:
    """Failed within the horizon; retired otherwise within it; years until then or the horizon."""
    later = records.heaters.set_index("heater_id").reindex(states.heater_ids)
    early, late = calendar_years(later["ended_earliest"]), calendar_years(later["ended_latest"])
    ended = np.where(np.isnan(early), late, np.where(np.isnan(late), early, (early + late) / 2))
    after = ended - calendar_year_of(landmark)
    ending = later["ending"].fillna("").to_numpy(dtype=object)
    within = np.nan_to_num(after, nan=np.inf) <= horizon
    failed = within & np.isin(ending.astype(str), FAILURES)
    removed = within & ~failed
    followed = np.where(removed, np.clip(after, 0.0, horizon), float(horizon))
    return failed, removed, followed


def _until(chances: FloatArray, followed: FloatArray) -> FloatArray:
    """Chance of failing within each heater's own time, log survival straight within a year; (N, D)."""
    log_survival = np.log(np.maximum(1 - chances, 1e-12))
    log_survival = np.concatenate([np.zeros_like(log_survival[:, :, :1]), log_survival], axis=2)
    whole = np.minimum(np.floor(followed), chances.shape[2] - 1).astype(np.int64)
    row = np.arange(len(followed))
    low, high = log_survival[row, :, whole], log_survival[row, :, whole + 1]
    return np.asarray(-np.expm1(low + (high - low) * (followed - whole)[:, None]))


def _score(
    landmark: date, horizon: int, heaters: pd.DataFrame, paths: FloatArray, seed: int
) -> dict[str, object]:
    observed = int(heaters["failed"].sum())
    low, high = np.quantile(paths, [0.1, 0.9])
    scored = heaters[~heaters["removed"]]
    chance, failed = scored["chance"].to_numpy(), scored["failed"].to_numpy(dtype=bool)
    plain, table = scored["chance_plain"].to_numpy(), scored["chance_table"].to_numpy()
    slope, slope_se = calibration_slope(chance, failed)
    return {
        "landmark": landmark,
        "horizon_years": horizon,
        "heaters": len(heaters),
        "expected": float(paths.mean()),
        "p10": float(low),
        "p90": float(high),
        "observed": observed,
        "covered": bool(low <= observed <= high),
        "pit": float(randomised_pit(paths, float(observed), seed)),
        "crps": float(crps_of_paths(paths, float(observed))),
        "interval_score": float(interval_score(low, high, np.asarray(float(observed)), 0.8)),
        "brier": brier_score(chance, failed),
        "brier_table": brier_score(table, failed),
        "slope": slope,
        "slope_se": slope_se,
        "log_score": log_score(chance, failed),
        "log_score_plain": log_score(plain, failed) if np.isfinite(plain).all() else float("nan"),
        "log_score_table": log_score(table, failed),
        "ranking": ranking(chance, failed),
    }
