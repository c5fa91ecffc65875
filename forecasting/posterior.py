"""Fitting: episodes and priors in, draws of all parameters out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from forecasting.episodes import Episodes, FloatArray, IntArray

if TYPE_CHECKING:
    from forecasting.lifetimes import Prior


@dataclass(frozen=True)
class Diagnostics:
    """How far the draws can be trusted, and how much the record rather than the prior speaks in them."""

    k_hat: float  # Pareto shape of the importance weights; below 0.7 the importance draws are sound
    effective_draws: float
    method: str  # 'importance' | 'sampler'
    converged: bool
    events_total: int
    events_by_kind: dict[str, int]
    messages: tuple[str, ...]
    prior_weight: FloatArray  # (K,) posterior sd / prior sd of each kind's log median life; 1 = prior alone


@dataclass(frozen=True)
class Posterior:
    """Joint draws.  Hazard at age a, draw d: z[d,b] k/lam (a/lam)^(k-1) exp(x @ beta[d]), per year."""

    kinds: tuple[str, ...]
    covariates: tuple[str, ...]
    buildings: tuple[int, ...]
    log_shape: FloatArray  # (D, K)
    log_scale: FloatArray  # (D, K), scale in years
    beta: FloatArray  # (D, P)
    dispersion: FloatArray  # (D,) variance v of the building multiplier
    z: FloatArray  # (D, B) building multipliers, mean 1 before the data
    building_failures: IntArray  # (B,)
    building_exposure: FloatArray  # (D, B) expected failures at multiplier 1
    diagnostics: Diagnostics
    seed: int
    version: str


def fit(
    episodes: Episodes,
    prior: Prior,
    draws: int = 1000,
    seed: int = 0,
    progress: Callable[[float, str], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Posterior:
    """Posterior draws for the lifetime model; the same inputs and seed give the same bits."""
    raise NotImplementedError
