"""Sampling tools: the Student proposal, Pareto-smoothed importance weights, adaptive Metropolis chains."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln

from forecasting.episodes import FloatArray, IntArray

Density = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True)
class StudentProposal:
    """Multivariate Student distribution with a centre, a root of its scale matrix and degrees of freedom."""

    centre: FloatArray
    root: FloatArray  # lower triangular, root @ root.T = scale matrix
    freedom: float

    def draw(self, count: int, generator: np.random.Generator) -> FloatArray:
        """(count, p) independent draws."""
        normal = generator.standard_normal((count, len(self.centre)))
        widen = np.sqrt(self.freedom / generator.chisquare(self.freedom, count))
        return np.asarray(self.centre + (normal * widen[:, None]) @ self.root.T)

    def log_density(self, theta: FloatArray) -> FloatArray:
        """Log density (S,) at (S, p)."""
        size = len(self.centre)
        scaled = np.linalg.solve(self.root, (theta - self.centre).T)
        distance = np.einsum("is,is->s", scaled, scaled)
        constant = (
            gammaln((self.freedom + size) / 2)
            - gammaln(self.freedom / 2)
            - size / 2 * np.log(self.freedom * np.pi)
            - np.log(np.diag(self.root)).sum()
        )
        return np.asarray(constant - (self.freedom + size) / 2 * np.log1p(distance / self.freedom))


def fit_pareto(excess: FloatArray) -> tuple[float, float]:
    """Shape k and scale of a generalised Pareto distribution fitted to sorted positive excesses.

    The weighted-profile estimate of Zhang & Stephens, Technometrics 51 (2009) 316-325, with the weak prior
    on k of Vehtari, Simpson, Gelman, Yao & Gabry, arXiv 1507.02646 (formulas from memory, not verified).
    """
    n = len(excess)
    grid = 30 + int(np.sqrt(n))
    quarter = excess[int(n / 4 + 0.5) - 1]
    theta = 1 / excess[-1] + (1 - np.sqrt(grid / (np.arange(1, grid + 1) - 0.5))) / (3 * quarter)
    k = np.log1p(-theta[:, None] * excess).mean(axis=1)
    profile = n * (np.log(-theta / k) - k - 1)
    weight = 1 / np.exp(profile - profile[:, None]).sum(axis=1)
    best = float((theta * weight).sum() / weight.sum())
    shape = float(np.log1p(-best * excess).mean())
    scale = -shape / best
    return (shape * n + 5.0) / (n + 10.0), float(scale)


def smooth_weights(log_weight: FloatArray) -> tuple[FloatArray, float]:
    """Pareto-smoothed, normalised importance weights and k-hat (Vehtari et al., arXiv 1507.02646)."""
    n = len(log_weight)
    shifted = log_weight - log_weight.max()
    weight = np.exp(shifted)
    tail = int(min(n / 5, 3 * np.sqrt(n)))
    order = np.argsort(weight, kind="stable")
    largest = order[n - tail :]
    cutoff = weight[order[n - tail - 1]] if n > tail else 0.0
    excess = weight[largest] - cutoff
    if tail < 10 or excess[0] <= 0 or excess[-1] < 1e-12:
        positive = int((weight > 1e-12).sum())
        return weight / weight.sum(), 0.0 if positive > n / 2 else float("inf")
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        k_hat, scale = fit_pareto(excess)
    if not np.isfinite(k_hat) or not np.isfinite(scale):
        return weight / weight.sum(), float("inf")
    place = (np.arange(tail) + 0.5) / tail
    with np.errstate(over="ignore"):
        quantile = -np.log1p(-place) if abs(k_hat) < 1e-12 else np.expm1(-k_hat * np.log1p(-place)) / k_hat
    weight[largest] = np.minimum(cutoff + scale * quantile, 1.0)
    return weight / weight.sum(), float(k_hat)


def resample(weight: FloatArray, count: int, generator: np.random.Generator) -> IntArray:
    """Systematic resampling: ``count`` indices, in random order so that neighbours are not alike."""
    place = (np.arange(count) + generator.random()) / count
    picked = np.minimum(np.searchsorted(np.cumsum(weight), place), len(weight) - 1)
    return np.asarray(generator.permutation(picked), dtype=np.int64)


@dataclass(frozen=True)
class Chains:
    """Kept states of parallel chains: (count, p), the share of moves taken, and the worst R-hat."""

    states: FloatArray
    taken: float
    r_hat: float


def metropolis(
    density: Density,
    starts: FloatArray,
    root: FloatArray,
    keep: int,
    rounds: int,
    generator: np.random.Generator,
    report: Callable[[float], None] = lambda fraction: None,
) -> Chains:
    """Random-walk Metropolis in C parallel chains, all moved at once.

    The step size adapts towards 30 % moves taken during the first half, which is thrown away; moves follow
    ``root`` or, every other round, the difference of two other chains (ter Braak 2006), which finds the shape
    that ``root`` misses.
    """
    chains, size = starts.shape
    state, value = starts.copy(), density(starts)
    step, history, moves = 2.0 / np.sqrt(size), [], 0.0
    for turn in range(rounds):
        if turn % 2:
            jump = step * (generator.standard_normal((chains, size)) @ root.T)
        else:
            first = (np.arange(chains) + generator.integers(1, chains, chains)) % chains
            second = (np.arange(chains) + generator.integers(1, chains, chains)) % chains
            gamma = 1.0 if turn % 20 == 0 else step / np.sqrt(2.0)
            jump = gamma * (state[first] - state[second]) + 1e-6 * generator.standard_normal((chains, size))
        proposed = state + jump
        proposed_value = density(proposed)
        with np.errstate(invalid="ignore"):
            accept = np.log(generator.random(chains)) < proposed_value - value
        state = np.where(accept[:, None], proposed, state)
        value = np.where(accept, proposed_value, value)
        if turn < rounds // 2:
            step *= float(np.exp(0.1 * (accept.mean() - 0.3)))
        else:
            history.append(state)
            moves += float(accept.mean())
        report((turn + 1) / rounds)
    kept = np.stack(history)
    flat = kept.reshape(-1, size)
    picked = np.linspace(0, len(flat) - 1, keep).round().astype(np.int64)
    return Chains(flat[picked], moves / len(history), _r_hat(kept))


def _r_hat(kept: FloatArray) -> float:
    """Largest split R-hat over parameters (Gelman & Rubin); kept is (turns, chains, p)."""
    half = len(kept) // 2
    if half < 2:
        return float("inf")
    split = np.concatenate([kept[:half], kept[half : 2 * half]], axis=1)
    within = split.var(axis=0, ddof=1).mean(axis=0)
    between = split.mean(axis=0).var(axis=0, ddof=1)
    safe = np.maximum(within, 1e-300)
    return float(np.sqrt((half - 1) / half + between / safe).max())
