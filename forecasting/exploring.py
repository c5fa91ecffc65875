"""Draws from a density whose mode is known: weighted proposals, and chains where their weights are not to be trusted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from forecasting.climbing import Top, root_of
from forecasting.episodes import FloatArray
from forecasting.sampling import StudentProposal, metropolis, resample, smooth_weights
from forecasting.target import Target
from forecasting.thinning import ThinnedTarget

K_HAT_LIMIT, MIN_EFFECTIVE_SHARE, FREEDOM, ROUNDS = 0.7, 0.2, 12.0, 3


class FitCancelled(RuntimeError):
    """The caller asked for the fit to stop."""


@dataclass(frozen=True)
class Steps:
    """Reports progress and honours a request to stop."""

    progress: Callable[[float, str], None] | None
    cancelled: Callable[[], bool] | None

    def at(self, fraction: float, words: str) -> None:
        if self.cancelled is not None and self.cancelled():
            raise FitCancelled("The fit was cancelled before it finished; no result was kept.")
        if self.progress is not None:
            self.progress(fraction, words)


@dataclass(frozen=True)
class Sample:
    theta: FloatArray
    exposure: FloatArray  # (B, D)
    k_hat: float
    effective: float
    method: str
    sound: bool


def explore(
    surface: Target | ThinnedTarget, top: Top, draws: int, generator: np.random.Generator, steps: Steps
) -> Sample:
    """Importance draws in up to three rounds; Metropolis chains when they stay poor.

    Each further round proposes from the moments found so far. All rounds count: a draw is weighed against the mixture
    of the proposals made (Cornuet, Marin, Mira & Robert 2012, Scandinavian Journal of Statistics 39:798-812; from
    memory, not verified), so that a round that went worse cannot spoil what the others found.
    """
    size = len(top.point.theta)
    proposals = [StudentProposal(top.point.theta, top.root, FREEDOM)]
    theta, value, proposed = np.zeros((0, size)), np.zeros(0), np.zeros(0)
    k_hat, effective = float("inf"), 0.0
    count = max(2 * draws, 1000)
    weight, exposure = np.zeros(0), np.zeros((0, 0))
    for turn in range(ROUNDS):
        fresh = proposals[-1].draw(count, generator)
        found, exposure = surface.many(fresh)
        proposed = np.concatenate(
            [np.logaddexp(proposed, proposals[-1].log_density(theta)), _proposed(proposals, fresh)]
        )
        theta, value = np.concatenate([theta, fresh]), np.concatenate([value, found])
        steps.at(0.5 + 0.1 * turn, "Weighing the draws")
        log_weight = value - proposed
        if not np.any(np.isfinite(log_weight)):
            break
        weight, k_hat = smooth_weights(log_weight)
        effective = 1 / float((weight**2).sum())
        if k_hat < K_HAT_LIMIT and effective > 0.5 * count:
            break
        if turn < ROUNDS - 1:
            proposals.append(_moved(theta, weight, min(1.0, effective / (10 * size)), top))
    if k_hat < K_HAT_LIMIT and effective > MIN_EFFECTIVE_SHARE * min(draws, count):
        picked = resample(weight, draws, generator)
        kept = exposure[:, picked] if len(proposals) == 1 else surface.many(theta[picked])[1]
        return Sample(theta[picked], kept, k_hat, effective, "importance", True)
    return _by_chains(surface, top, theta, weight, k_hat, draws, generator, steps)


def _proposed(proposals: list[StudentProposal], theta: FloatArray) -> FloatArray:
    """Log of the summed densities of the proposals: their even mixture, up to a constant."""
    each = np.stack([proposal.log_density(theta) for proposal in proposals])
    return np.asarray(np.logaddexp.reduce(each, axis=0))


def _moved(theta: FloatArray, weight: FloatArray, share: float, top: Top) -> StudentProposal:
    """A proposal at the weighted moments, leaning on the mode's own by what the weights leave to trust."""
    centre = weight @ theta
    off = theta - centre
    covariance = share * ((off * weight[:, None]).T @ off) + (1 - share) * (top.root @ top.root.T)
    return StudentProposal(share * centre + (1 - share) * top.point.theta, root_of(covariance), FREEDOM)


def _by_chains(
    surface: Target | ThinnedTarget,
    top: Top,
    theta: FloatArray,
    weight: FloatArray,
    k_hat: float,
    draws: int,
    generator: np.random.Generator,
    steps: Steps,
) -> Sample:
    chains = max(32, 2 * len(top.point.theta))
    starts = np.repeat(top.point.theta[None, :], chains, axis=0)
    if len(weight) and np.isfinite(weight).all() and weight.sum() > 0:
        starts = theta[resample(weight, chains, generator)]
    starts = starts + 0.1 * (generator.standard_normal(starts.shape) @ top.root.T)
    ran = metropolis(
        lambda at: surface.many(at)[0],
        starts,
        top.root,
        draws,
        1200,
        generator,
        lambda fraction: steps.at(0.7 + 0.25 * fraction, "Sampling step by step"),
    )
    _, exposure = surface.many(ran.states)
    sound = ran.r_hat < 1.1
    return Sample(ran.states, exposure, k_hat, draws / 4 if sound else draws / 20, "sampler", sound)
