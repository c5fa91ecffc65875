"""Failure probabilities of heaters in service, draw by draw: the arithmetic under outlook and renewal.

The hazard of heater i in building b at age a under draw d is ``z[d,b] k/lam (a/lam)^(k-1) exp(x @ beta[d])``
per year, with x constant within each coming year.  Everything here is conditional on the age reached.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecasting.dates import typical_log_survival
from forecasting.episodes import FloatArray, FutureStates, IntArray
from forecasting.posterior import Posterior
from forecasting.threads import in_threads

Float32Array = npt.NDArray[np.float32]

CHUNK_HEATERS = 256  # 256 heaters x 200 draws x 4 bytes stays inside the second-level cache
AGEING_COVARIATES = ("anode_spent", "sediment")  # states that start afresh with a new heater


@dataclass(frozen=True)
class Multipliers:
    """Building multipliers of the draws in use; ``column[i]`` is heater i's column of ``z``."""

    column: IntArray  # (N,)
    z: FloatArray  # (D, C)


def check_states(posterior: Posterior, states: FutureStates) -> None:
    """Refuse shapes that do not belong together.  Raises ValueError naming the field."""
    count = len(states.heater_ids)
    if states.x.ndim != 3 or states.x.shape[0] != count or states.x.shape[2] != len(posterior.covariates):
        raise ValueError(
            f"states.x has shape {states.x.shape}; expected ({count}, years, {len(posterior.covariates)})"
        )
    if states.x.shape[1] < 1:
        raise ValueError("states.x covers no coming year; ask future_states for at least one")
    if states.age_nodes.shape != states.age_weights.shape or states.age_nodes.shape[0] != count:
        raise ValueError("states.age_nodes and states.age_weights must both have one row a heater")
    if count and (states.kind.min() < 0 or states.kind.max() >= len(posterior.kinds)):
        raise ValueError("states.kind points outside the kinds of the fit")
    if count and states.building.max() >= posterior.z.shape[1]:
        raise ValueError("states.building points outside the buildings of the fit")
    if count and float(states.age_nodes.min()) < 0:
        raise ValueError("states.age_nodes holds a negative age")


def pick_draws(posterior: Posterior, most: int) -> IntArray:
    """At most ``most`` draws, evenly spaced, always the same ones."""
    total = len(posterior.dispersion)
    if total <= most:
        return np.arange(total)
    return np.linspace(0, total - 1, most).round().astype(np.int64)


def building_multipliers(posterior: Posterior, states: FutureStates, draws: IntArray) -> Multipliers:
    """z of each heater's building; a building the fit never saw draws its own from Gamma(1/v, v).

    Heaters of one property whose building was never seen share one multiplier, so that their fates stay
    linked.  Depends on the posterior's seed and the property only, so scenarios share the numbers.
    """
    seen = posterior.z.shape[1]
    column = states.building.astype(np.int64).copy()
    unseen = column < 0
    z = posterior.z[draws]
    if not unseen.any():
        return Multipliers(column, z)
    properties, inverse = np.unique(states.property_id[unseen], return_inverse=True)
    column[unseen] = seen + inverse
    variance = posterior.dispersion
    fresh = np.empty((len(draws), len(properties)))
    for index, property_id in enumerate(properties):
        generator = np.random.default_rng([abs(int(posterior.seed)), 7001, abs(int(property_id))])
        fresh[:, index] = (generator.gamma(1.0 / variance) * variance)[draws]
    return Multipliers(column, np.concatenate([z, np.maximum(fresh, 1e-12)], axis=1))


def kind_chunks(states: FutureStates, size: int = CHUNK_HEATERS) -> Iterator[tuple[int, IntArray]]:
    """(kind, heater rows) blocks of one kind each, vague ages kept apart from known ones."""
    nodes_used = (states.age_weights > 0).sum(axis=1)
    order = np.lexsort((nodes_used, states.kind))
    vague = nodes_used > 1
    key = states.kind * 2 + vague
    bounds = np.flatnonzero(np.diff(key[order])) + 1
    for block in np.split(order, bounds):
        for start in range(0, len(block), size):
            rows = block[start : start + size]
            yield int(states.kind[rows[0]]), rows


@dataclass(frozen=True)
class ChunkRisk:
    """One kind's heaters under the draws in use: rates and node weights, ready to march through years."""

    shape: Float32Array  # (D,)
    rates: Float32Array  # (H', n, D): hazard multiplier / lam^k, H' = 1 when nothing changes over the years
    ages: Float32Array  # (n, Q)
    weights: Float32Array  # (n, Q, D), posterior weights of the possible ages given survival so far

    def rate(self, year: int) -> Float32Array:
        answer: Float32Array = self.rates[min(year, len(self.rates) - 1)]
        return answer


def chunk_risk(
    posterior: Posterior,
    states: FutureStates,
    multipliers: Multipliers,
    draws: IntArray,
    kind: int,
    rows: IntArray,
    years: int,
) -> ChunkRisk:
    """Prepare a chunk.

    ``states.age_weights`` count how long a typical heater lives; here that chance gives way to the draw's
    own, S(a) = exp(-rate a^k): an old heater that still works is more likely the younger of its ages.
    """
    shape = np.exp(posterior.log_shape[draws, kind])
    offset = np.log(multipliers.z[:, multipliers.column[rows]]).T - shape * posterior.log_scale[draws, kind]
    beta = posterior.beta[draws].T.astype(np.float32)
    x = states.x[rows, : max(1, min(years, states.x.shape[1]))].astype(np.float32)
    still = bool((x == x[:, :1]).all())
    held = x[:, :1] if still else x
    linear = np.matmul(held.transpose(1, 0, 2), beta)
    linear += offset.astype(np.float32)
    np.clip(linear, -80, 80, out=linear)
    rates = np.exp(linear, out=linear)
    used = states.age_weights[rows] > 0
    width = max(1, int(used.sum(axis=1).max()))
    order = np.argsort(~used, axis=1, kind="stable")[:, :width]
    ages = np.take_along_axis(states.age_nodes[rows], order, axis=1)
    prior = np.take_along_axis(states.age_weights[rows], order, axis=1)
    if width == 1:
        weights = np.ones((len(rows), 1, len(draws)), dtype=np.float32)
    else:
        lived = -rates[0].astype(float)[:, None, :] * ages[:, :, None] ** shape
        with np.errstate(divide="ignore"):
            score = lived + (np.log(prior) - typical_log_survival(ages))[:, :, None]
        score -= score.max(axis=1, keepdims=True)
        raw = np.exp(score)
        weights = (raw / raw.sum(axis=1, keepdims=True)).astype(np.float32)
    return ChunkRisk(shape.astype(np.float32), rates, ages.astype(np.float32), weights)


def march(risk: ChunkRisk, at: Sequence[int]) -> Iterator[tuple[int, Float32Array]]:
    """Yield (years ahead, survival (n, D) since the day of the forecast) for each of ``at``, in order.

    Survival is averaged over the possible ages.  Where nothing changes over the years only the years asked
    for are visited, otherwise each year's own rate is added up.
    """
    count, nodes = risk.ages.shape
    wanted = set(at)
    last = max(wanted, default=0)
    stops = sorted(wanted) if len(risk.rates) == 1 else range(1, last + 1)
    edges = [np.power(risk.ages[:, q, None], risk.shape) for q in range(nodes)]
    cumulative = [np.zeros((count, len(risk.shape)), dtype=np.float32) for _ in range(nodes)]
    for stop in stops:
        rate = risk.rate(stop - 1)
        for q in range(nodes):
            upper = np.power(risk.ages[:, q, None] + np.float32(stop), risk.shape)
            step = np.subtract(upper, edges[q], out=edges[q])
            step *= rate
            cumulative[q] += step
            edges[q] = upper
        if stop not in wanted:
            continue
        survival = np.negative(cumulative[0])
        np.exp(survival, out=survival)
        if nodes > 1:
            survival *= risk.weights[:, 0]
            for q in range(1, nodes):
                survival += risk.weights[:, q] * np.exp(-cumulative[q])
        yield stop, survival


def failure_probabilities(
    posterior: Posterior,
    states: FutureStates,
    horizons_years: tuple[int, ...] = (1, 3, 5, 10),
    most_draws: int = 400,
) -> FloatArray:
    """Chance of failing within each horizon, heater by heater and draw by draw.

    Returns (N, D, len(horizons)), in [0, 1], never falling with the horizon.  Horizons are whole years.
    Memory is N x D x horizons x 8 bytes: meant for a page or a back-test, not for a whole large fleet.
    """
    check_states(posterior, states)
    draws = pick_draws(posterior, most_draws)
    multipliers = building_multipliers(posterior, states, draws)
    answer = np.zeros((len(states.heater_ids), len(draws), len(horizons_years)))
    last = max(horizons_years)

    def one(block: tuple[int, IntArray]) -> None:
        kind, rows = block
        risk = chunk_risk(posterior, states, multipliers, draws, kind, rows, last)
        for year, survival in march(risk, horizons_years):
            for index, horizon in enumerate(horizons_years):
                if horizon == year:
                    answer[rows, :, index] = np.clip(1.0 - survival, 0.0, 1.0)

    in_threads(one, list(kind_chunks(states)))
    return answer


def ageing_profile(posterior: Posterior, states: FutureStates, most: int = 20_000) -> FloatArray:
    """Mean state of the ageing covariates by kind and whole year of age, (K, V, P); others are 0.

    A successor is cared for as heaters of its age are in this fleet, so the profile is read off the coming
    years of the heaters in service.  Ages that nobody reaches take the nearest age's value; a kind that
    nobody has takes the fleet's.
    """
    kinds, count = len(posterior.kinds), len(states.heater_ids)
    places = [i for i, name in enumerate(posterior.covariates) if name in AGEING_COVARIATES]
    top = 60
    profile = np.zeros((kinds, top, len(posterior.covariates)))
    if not count or not places:
        return profile
    rows = np.unique(np.linspace(0, count - 1, min(count, most)).round().astype(np.int64))
    age = (states.age_nodes[rows] * states.age_weights[rows]).sum(axis=1)
    years = np.arange(states.x.shape[1])
    cell = np.clip(np.floor(age[:, None] + years), 0, top - 1).astype(np.int64)
    kind = np.broadcast_to(states.kind[rows][:, None], cell.shape)
    flat = (kind * top + cell).ravel()
    weight = np.bincount(flat, minlength=kinds * top).reshape(kinds, top)
    for place in places:
        total = np.bincount(flat, states.x[rows, :, place].ravel(), minlength=kinds * top)
        total = total.reshape(kinds, top)
        for k in range(kinds):
            seen, value = (weight[k], total[k]) if weight[k].any() else (weight.sum(0), total.sum(0))
            at = np.flatnonzero(seen)
            mean = value[at] / seen[at]
            # A heater starts with a fresh anode and a clean tank.
            at, mean = (at, mean) if at[0] == 0 else (np.r_[0, at], np.r_[0.0, mean])
            profile[k, :, place] = np.interp(np.arange(top), at, mean)
    return profile
