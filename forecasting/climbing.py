"""The climb to the most likely parameters, by damped Newton steps, and the covariance found at the top."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from forecasting.episodes import FloatArray
from forecasting.target import Point, Target


@dataclass(frozen=True)
class Top:
    """The mode, a root of the covariance there, and whether the climb ended at it."""

    point: Point
    root: FloatArray
    converged: bool


def climb(
    target: Target, start: FloatArray, report: Callable[[int], None] = lambda turn: None, most: int = 60
) -> Top:
    """Damped Newton ascent: absolute eigenvalues, capped steps, halving until the density rises."""
    point, converged = target.point(start), False
    for turn in range(most):
        report(turn)
        values, vectors = np.linalg.eigh(-_finite(point.hessian))
        along = vectors.T @ np.nan_to_num(point.gradient)
        move = vectors @ (along / np.maximum(np.abs(values), 1e-6))
        gain = 0.5 * float(along @ (along / np.maximum(np.abs(values), 1e-6)))
        if gain < 1e-5 and values[0] > 0:
            converged = True
            break
        # Cut as a whole: with one part cut alone, it may lead down however short it is made.
        move *= min(1.0, 0.7 / max(float(np.abs(move[:-1]).max(initial=0.0)), 1e-300))
        move *= min(1.0, 1.5 / max(float(np.abs(move[-1])), 1e-300))
        better = _step_up(target, point, move)
        if better is None:
            break
        point = better
    values, vectors = np.linalg.eigh(-_finite(point.hessian))
    covariance = (vectors / np.maximum(np.abs(values), 1e-3)) @ vectors.T
    return Top(point, root_of(covariance), converged)


def _step_up(target: Target, point: Point, move: FloatArray) -> Point | None:
    for halving in range(20):
        trial = target.point(point.theta + move * 0.5**halving)
        if trial.value > point.value - 1e-9 * abs(point.value):
            return trial
    return None


def _finite(matrix: FloatArray) -> FloatArray:
    return np.nan_to_num((matrix + matrix.T) / 2, nan=0.0, posinf=1e12, neginf=-1e12)


def root_of(covariance: FloatArray) -> FloatArray:
    """Lower triangular root; a covariance that is not positive definite gets its eigenvalues lifted."""
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    lifted = (vectors * np.maximum(values, 1e-12 * max(float(values[-1]), 1e-12))) @ vectors.T
    return np.asarray(np.linalg.cholesky(lifted))
