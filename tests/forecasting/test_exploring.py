"""Draws from a skewed density whose moments are known in closed form."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import pytest
from scipy.special import digamma, polygamma

from forecasting import exploring
from forecasting.climbing import Top, climb
from forecasting.episodes import FloatArray
from forecasting.exploring import Sample, Steps, explore
from forecasting.target import Point

SIZE, SHAPE = 20, 3.0


@dataclass(frozen=True)
class LogGamma:
    """Independent coordinates, each the logarithm of a Gamma variable: mean digamma(a), variance trigamma(a)."""

    def many(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        with np.errstate(over="ignore"):
            value = (SHAPE * theta - np.exp(theta)).sum(axis=1)
        return value, theta[:, :1].T


def sample() -> Sample:
    mode = np.full(SIZE, np.log(SHAPE))
    point = Point(mode, 0.0, np.zeros(SIZE), -SHAPE * np.eye(SIZE), np.zeros(1))
    top = Top(point, np.eye(SIZE) / np.sqrt(SHAPE), True)
    return explore(cast(Any, LogGamma()), top, 1000, np.random.default_rng(3), Steps(None, None))


def test_many_skewed_parameters_need_no_chains_and_keep_their_moments() -> None:
    found = sample()
    assert found.method == "importance"
    assert found.exposure == pytest.approx(
        found.theta[:, :1].T
    )  # the draws' own, whichever round they are of
    error = np.sqrt(polygamma(1, SHAPE) / (found.effective / 2) / SIZE)
    assert found.theta.mean() == pytest.approx(digamma(SHAPE), abs=4 * error)
    assert found.theta.var() == pytest.approx(polygamma(1, SHAPE), rel=0.1)


def test_one_round_alone_would_not_have_been_trusted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exploring, "ROUNDS", 1)
    monkeypatch.setattr(exploring, "metropolis", lambda *args: pytest.fail("chains"))
    with pytest.raises(pytest.fail.Exception, match="chains"):
        sample()


@dataclass(frozen=True)
class SlantingRidge:
    """A log density with its top far off in the last parameter, whose steps are cut short, along a narrow ridge."""

    top: FloatArray
    precision: FloatArray

    def point(self, theta: FloatArray) -> Point:
        off = theta - self.top
        slope = -self.precision @ off
        return Point(theta, float(off @ slope / 2), slope, -self.precision, np.zeros(0))


def test_a_step_cut_short_still_leads_up_a_narrow_ridge() -> None:
    along, across = np.array([0.1, 1.0]), np.array([1.0, -0.1])
    precision = np.outer(along, along) + 1e4 * np.outer(across, across)
    ridge = SlantingRidge(np.array([0.6, 6.0]), precision)
    found = climb(cast(Any, ridge), np.zeros(2))
    assert found.converged
    assert found.point.theta == pytest.approx(ridge.top, abs=0.01)
