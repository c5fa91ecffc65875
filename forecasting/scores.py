"""Scores of probability forecasts: the rank, the distance, the coverage, the slope."""

from __future__ import annotations

import numpy as np

from forecasting.episodes import BoolArray, FloatArray


def crps_of_paths(paths: FloatArray, observed: FloatArray | float) -> FloatArray:
    """Continuous ranked probability score of equally likely paths (R, ...) against ``observed`` (...).

    CRPS = E|X - y| - E|X - X'| / 2, in the unit of the forecast; 0 is perfect.  Source: Gneiting and Raftery
    2007, Journal of the American Statistical Association 102(477):359-378.
    """
    ordered = np.sort(np.asarray(paths, dtype=float), axis=0)
    count = len(ordered)
    near = np.abs(ordered - observed).mean(axis=0)
    rank = (2 * np.arange(count) - count + 1).reshape(-1, *[1] * (ordered.ndim - 1))
    return np.asarray(near - (rank * ordered).sum(axis=0) / count**2)


def crps_of_counts(distribution: FloatArray, observed: int) -> float:
    """CRPS of a distribution over 0, 1, ... n: sum over k of (F(k) - [k >= y])^2."""
    share = np.asarray(distribution, dtype=float).cumsum()
    size = max(len(share), observed + 1)
    share = np.pad(share, (0, size - len(share)), constant_values=1.0)
    return float(((share - (np.arange(size) >= observed)) ** 2).sum())


def randomised_pit(paths: FloatArray, observed: FloatArray | float, seed: int = 0) -> FloatArray:
    """F(y-) + V (F(y) - F(y-)) with V uniform, from paths (R, ...): uniform when a forecast of counts is right.

    Source: Czado, Gneiting and Held 2009, Biometrics 65(4):1254-1261.
    """
    below = (np.asarray(paths) < observed).mean(axis=0)
    at = (np.asarray(paths) == observed).mean(axis=0)
    return np.asarray(below + np.random.default_rng(seed).random(np.shape(below)) * at)


def interval_score(low: FloatArray, high: FloatArray, observed: FloatArray, level: float) -> FloatArray:
    """(u - l) + 2/a (l - y)+ + 2/a (y - u)+ with a = 1 - level; smaller is better (Gneiting and Raftery 2007)."""
    tail = 1 - level
    low, high, observed = np.asarray(low), np.asarray(high), np.asarray(observed)
    miss = np.maximum(low - observed, 0) + np.maximum(observed - high, 0)
    return np.asarray(high - low + 2 / tail * miss)


def brier_score(chance: FloatArray, happened: BoolArray) -> float:
    """Mean of (p - y)^2: 0 is perfect, 0.25 a coin."""
    return float(np.mean((np.asarray(chance) - np.asarray(happened)) ** 2)) if len(chance) else float("nan")


def calibration_slope(chance: FloatArray, happened: BoolArray) -> tuple[float, float]:
    """(slope, standard error) of log cumulative hazard: 1 = spread as wide as it should be, below 1 too wide.

    Fits P(fail) = 1 - exp(-exp(a + b log(-log(1 - p)))) by Newton's method.  NaN with fewer than two of
    either outcome or without spread in ``chance``.
    """
    y = np.asarray(happened, dtype=float)
    p = np.clip(np.asarray(chance, dtype=float), 1e-9, 1 - 1e-9)
    x = np.log(-np.log1p(-p))
    if y.sum() < 2 or (1 - y).sum() < 2 or np.ptp(x) < 1e-6:
        return float("nan"), float("nan")
    design = np.stack([np.ones_like(x), x - x.mean()], axis=1)
    theta = np.array([x.mean(), 1.0])
    information = np.eye(2)
    for _ in range(50):
        hazard = np.exp(np.clip(design @ theta, -30, 4))
        fail = -np.expm1(-hazard)
        # Score and expected information of the complementary log-log model.
        weight = hazard * np.exp(-hazard) / np.maximum(fail, 1e-12)
        gradient = design.T @ ((y - fail) * hazard / np.maximum(fail, 1e-12))
        information = (design * (weight * hazard)[:, None]).T @ design + 1e-9 * np.eye(2)
        move = np.linalg.solve(information, gradient)
        theta = theta + np.clip(move, -1, 1)
        if np.abs(move).max() < 1e-9:
            break
    return float(theta[1]), float(np.sqrt(np.linalg.inv(information)[1, 1]))


def log_score(chance: FloatArray, happened: BoolArray) -> float:
    """Mean log probability given to what happened: nearer 0 is better."""
    p = np.clip(np.asarray(chance, dtype=float), 1e-12, 1 - 1e-12)
    return float(np.where(happened, np.log(p), np.log1p(-p)).mean()) if len(p) else float("nan")


def ranking(chance: FloatArray, happened: BoolArray) -> float:
    """Share of (failed, lasted) pairs in which the failed heater had the higher chance; 0.5 is a coin."""
    from scipy.stats import rankdata

    y = np.asarray(happened, dtype=bool)
    failed, lasted = int(y.sum()), int((~y).sum())
    if not failed or not lasted:
        return float("nan")
    ranks = rankdata(chance)
    return float((ranks[y].sum() - failed * (failed + 1) / 2) / (failed * lasted))
