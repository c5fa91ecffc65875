"""Joint paths heater by heater: exact in continuous time, for buildings and small portfolios.

Each life has a unit-exponential store of hazard; it fails when its cumulative hazard has used it up.  A
successor takes over at that moment with a store of its own and can fail in the same period.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from forecasting.episodes import FloatArray, FutureStates, IntArray
from forecasting.plan import Plan, in_period, period_covariates
from forecasting.posterior import Posterior
from forecasting.risk import (
    AGEING_COVARIATES,
    Float32Array,
    Multipliers,
    ageing_profile,
    building_multipliers,
    chunk_risk,
    in_threads,
    kind_chunks,
)

ELEMENTS_A_BLOCK = 250_000


@dataclass
class Counts:
    """Running sums over (R, T, G)."""

    failures: FloatArray
    planned: FloatArray
    base_cost: FloatArray

    @classmethod
    def empty(cls, paths: int, plan: Plan) -> Counts:
        shape = (paths, plan.period_count, plan.group_count)
        return cls(np.zeros(shape), np.zeros(shape), np.zeros(shape))


@dataclass
class _Block:
    """State of n heaters x R paths, flattened; element e is heater e // R on path e % R."""

    paths: int
    kind: npt.NDArray[np.int64]
    shape: Float32Array
    rate: Float32Array  # hazard multiplier / lam^k in the running period
    age: Float32Array
    store: Float32Array  # hazard left until failure
    life: npt.NDArray[np.int16]  # 0 = the heater in service today


@dataclass(frozen=True)
class _World:
    """What does not change along a path."""

    plan: Plan
    rows: IntArray
    draws_shape: FloatArray  # (R, K)
    draws_log_scale: FloatArray  # (R, K)
    log_z: FloatArray  # (n, R)
    lasting: Float32Array  # (n, R) effect of covariates that a successor takes over
    ageing: Float32Array  # (K, V, R) effect of a successor's own ageing
    seed: tuple[int, ...]


def simulate_positions(
    posterior: Posterior,
    states: FutureStates,
    plan: Plan,
    draws: IntArray,
    profile: FloatArray | None = None,
) -> Counts:
    """Run ``len(draws)`` joint paths.  The same seed gives the same stores whatever the plan, so plans
    compared on one seed differ by what was decided, not by luck."""
    by_period = replace(states, x=period_covariates(states.x, plan.edges))
    multipliers = building_multipliers(posterior, states, draws)
    profile = ageing_profile(posterior, states) if profile is None else profile
    beta = posterior.beta[draws]
    ageing = np.einsum("kvp,rp->kvr", profile, beta).astype(np.float32)
    blocks = list(enumerate(kind_chunks(by_period, max(1, ELEMENTS_A_BLOCK // len(draws)))))

    def one(block: tuple[int, tuple[int, IntArray]]) -> Counts:
        number, (kind, rows) = block
        world = _world(posterior, states, plan, draws, multipliers, rows, ageing, number)
        return _run(posterior, by_period, world, multipliers, draws, kind)

    total = Counts.empty(len(draws), plan)
    for counts in in_threads(one, blocks):
        total.failures += counts.failures
        total.planned += counts.planned
        total.base_cost += counts.base_cost
    return total


def _world(
    posterior: Posterior,
    states: FutureStates,
    plan: Plan,
    draws: IntArray,
    multipliers: Multipliers,
    rows: IntArray,
    ageing: Float32Array,
    number: int,
) -> _World:
    lasting_x = states.x[rows, 0].copy()
    for place, name in enumerate(posterior.covariates):
        if name in AGEING_COVARIATES:
            lasting_x[:, place] = 0.0
    return _World(
        plan=plan,
        rows=rows,
        draws_shape=np.exp(posterior.log_shape[draws]),
        draws_log_scale=posterior.log_scale[draws],
        log_z=np.log(multipliers.z[:, multipliers.column[rows]]).T,
        lasting=(lasting_x @ posterior.beta[draws].T).astype(np.float32),
        ageing=ageing,
        seed=(abs(plan.seed), 7003, number),
    )


def _run(
    posterior: Posterior,
    states: FutureStates,
    world: _World,
    multipliers: Multipliers,
    draws: IntArray,
    kind: int,
) -> Counts:
    plan, rows, paths = world.plan, world.rows, len(draws)
    risk = chunk_risk(posterior, states, multipliers, draws, kind, rows, plan.period_count)
    size = len(rows) * paths
    generator = np.random.default_rng([*world.seed, 0])
    ladder = risk.weights.cumsum(axis=1)  # (n, Q, R)
    node = (generator.random((len(rows), 1, paths), dtype=np.float32) > ladder[:, :-1]).sum(axis=1)
    block = _Block(
        paths=paths,
        kind=np.full(size, kind, dtype=np.int64),
        shape=np.tile(risk.shape, len(rows)),
        rate=np.empty(size, dtype=np.float32),
        age=np.take_along_axis(risk.ages, node, axis=1).ravel(),
        store=generator.standard_exponential(size, dtype=np.float32),
        life=np.zeros(size, dtype=np.int16),
    )
    stores: dict[int, Float32Array] = {}
    counts = Counts.empty(paths, plan)
    for period in range(plan.period_count):
        np.copyto(block.rate, risk.rate(period).ravel(), where=block.life == 0)
        followers = np.flatnonzero(block.life > 0)
        if len(followers):
            block.rate[followers] = _follower_rate(world, block, followers)
        _one_period(world, block, stores, counts, period)
    return counts


def _follower_rate(world: _World, block: _Block, index: IntArray) -> Float32Array:
    """Rate of successors: the position's lasting covariates, their own ageing, their kind's scale."""
    heater, path = index // block.paths, index % block.paths
    kind = block.kind[index]
    year = np.minimum(block.age[index].astype(np.int64), world.ageing.shape[1] - 1)
    log_rate = world.log_z[heater, path] + world.lasting[heater, path] + world.ageing[kind, year, path]
    log_rate -= world.draws_shape[path, kind] * world.draws_log_scale[path, kind]
    answer: Float32Array = np.exp(np.clip(log_rate, -80, 80)).astype(np.float32)
    return answer


def _one_period(
    world: _World, block: _Block, stores: dict[int, Float32Array], counts: Counts, period: int
) -> None:
    plan = world.plan
    length = np.float32(plan.edges[period + 1] - plan.edges[period])
    active = np.arange(len(block.age))
    left = np.full(len(active), length, dtype=np.float32)
    while len(active):
        age, shape, rate, store = (
            block.age[active],
            block.shape[active],
            block.rate[active],
            block.store[active],
        )
        planned_in = _planned_in(world, block, active, age, left, period)
        stop = np.minimum(left, planned_in)
        low = np.power(age, shape)
        used = rate * (np.power(age + stop, shape) - low)
        failed = used >= store
        taken_out = ~failed & (planned_in <= left)
        stays = ~(failed | taken_out)
        block.store[active] = np.where(stays, store - used, store)
        block.age[active] = age + stop
        ends = np.flatnonzero(~stays)
        if not len(ends):
            return
        at = stop.copy()
        failing = np.flatnonzero(failed)
        died = np.power(store[failing] / rate[failing] + low[failing], 1 / shape[failing])
        at[failing] = np.clip(died - age[failing], 0, stop[failing])
        _count(world, block, counts, period, active[failing], active[np.flatnonzero(taken_out)])
        left = np.maximum(left[ends] - at[ends], 0)
        active = active[ends]
        _renew(world, block, stores, active)


def _planned_in(
    world: _World, block: _Block, active: IntArray, age: Float32Array, left: Float32Array, period: int
) -> Float32Array:
    """Years until the planned removal of each element; beyond ``left`` means not in this period.

    An overdue heater, and one whose own planned period this is, goes at the middle of the period.
    """
    plan = world.plan
    middle = left / 2
    answer = np.full(len(active), np.inf, dtype=np.float32)
    if np.isfinite(plan.planned_age_years):
        wait = np.float32(plan.planned_age_years) - age
        answer = np.where(wait > 0, wait, middle)
    own = plan.planned_period[world.rows]
    if (own == period).any():
        heater = active // block.paths
        due = (own[heater] == period) & (block.life[active] == 0)
        answer = np.where(due, np.minimum(answer, middle), answer)
    return answer.astype(np.float32)


def _count(
    world: _World, block: _Block, counts: Counts, period: int, failed: IntArray, planned: IntArray
) -> None:
    plan, groups = world.plan, world.plan.group_count
    for index, target, by_kind, by_heater in (
        (failed, counts.failures, 1, plan.emergency_price),
        (planned, counts.planned, 0, plan.planned_price),
    ):
        if not len(index):
            continue
        heater = world.rows[index // block.paths]
        price = in_period(by_heater, period)[heater]
        if plan.kind_prices is not None:
            price = plan.kind_prices[by_kind][plan.successor_kind[block.kind[index]]]
        cell = (index % block.paths) * groups + plan.groups[heater]
        shape = (block.paths, groups)
        target[:, period] += np.bincount(cell, minlength=block.paths * groups).reshape(shape)
        money = np.bincount(cell, price, minlength=block.paths * groups)
        counts.base_cost[:, period] += money.reshape(shape)


def _renew(world: _World, block: _Block, stores: dict[int, Float32Array], index: IntArray) -> None:
    """Put a new heater in each of these places."""
    block.life[index] += 1
    block.kind[index] = world.plan.successor_kind[block.kind[index]]
    block.age[index] = 0.0
    block.shape[index] = world.draws_shape[index % block.paths, block.kind[index]]
    lives = block.life[index]
    for life in np.unique(lives).tolist():
        if life not in stores:
            generator = np.random.default_rng([*world.seed, int(life)])
            stores[life] = generator.standard_exponential(len(block.age), dtype=np.float32)
        own = index[lives == life]
        block.store[own] = stores[life][own]
    block.rate[index] = _follower_rate(world, block, index)
