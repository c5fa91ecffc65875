"""Joint paths heater by heater: exact in continuous time, for buildings and small portfolios.

Each life has a unit-exponential store of hazard; it fails when its cumulative hazard has used it up.  A
successor takes over at that moment with a store of its own and can fail in the same period.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from forecasting.episodes import FloatArray, FutureStates, IntArray
from forecasting.plan import Plan, period_covariates
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

    failures: npt.NDArray[Any]
    planned: npt.NDArray[Any]
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
    rate: Float32Array  # hazard multiplier / lam^k in the running step
    age: Float32Array
    power: Float32Array  # age ** shape
    store: Float32Array  # hazard left until failure
    life: npt.NDArray[np.int16]  # 0 = the heater in service today


@dataclass
class _Ends:
    """What ended: the place in (R, T, G), flattened, and the money at this year's prices."""

    places: list[IntArray]
    money: list[FloatArray]

    def sums(self, plan: Plan, paths: int) -> tuple[IntArray, FloatArray]:
        shape = (paths, plan.period_count, plan.group_count)
        size = int(np.prod(shape))
        if not self.places:
            return np.zeros(shape, dtype=np.int64), np.zeros(shape)
        place, money = np.concatenate(self.places), np.concatenate(self.money)
        count = np.bincount(place, minlength=size).reshape(shape)
        paid = np.asarray(np.bincount(place, money, minlength=size), dtype=np.float64)
        return count, paid.reshape(shape)


@dataclass(frozen=True)
class _World:
    """What does not change along a path."""

    plan: Plan
    steps: FloatArray  # (S+1,) years from today between which hazards stand still
    rows: IntArray
    draws_shape: FloatArray  # (R, K)
    draws_log_scale: FloatArray  # (R, K)
    log_z: FloatArray  # (n, R)
    lasting: Float32Array  # (n, R) effect of covariates that a successor takes over
    ageing: Float32Array  # (K, V, R) effect of a successor's own ageing
    seed: tuple[int, ...]


def steps_of(plan: Plan) -> FloatArray:
    """Whole years where nothing is taken out by plan, however finely the periods are cut: hazards change by year."""
    end = float(plan.edges[-1])
    years = np.append(np.arange(np.ceil(end)), end)
    return years if not _removes(plan) and len(years) < len(plan.edges) else plan.edges


def _removes(plan: Plan) -> bool:
    return bool(np.isfinite(plan.planned_age_years) or (plan.planned_period >= 0).any())


def simulate_positions(
    posterior: Posterior,
    states: FutureStates,
    plan: Plan,
    draws: IntArray,
    profile: FloatArray | None = None,
) -> Counts:
    """Run ``len(draws)`` joint paths.  The same seed gives the same stores whatever the plan, so plans
    compared on one seed differ by what was decided, not by luck."""
    steps = steps_of(plan)
    by_step = replace(states, x=period_covariates(states.x, steps))
    multipliers = building_multipliers(posterior, states, draws)
    profile = ageing_profile(posterior, states) if profile is None else profile
    beta = posterior.beta[draws]
    ageing = np.einsum("kvp,rp->kvr", profile, beta).astype(np.float32)
    blocks = list(enumerate(kind_chunks(by_step, max(1, ELEMENTS_A_BLOCK // len(draws)))))

    def one(block: tuple[int, tuple[int, IntArray]]) -> tuple[_Ends, _Ends]:
        number, (kind, rows) = block
        world = _world(posterior, states, plan, steps, draws, multipliers, rows, ageing, number)
        return _run(posterior, by_step, world, multipliers, draws, kind)

    failed, planned = _Ends([], []), _Ends([], [])
    for of_failures, of_plan in in_threads(one, blocks):
        for whole, part in ((failed, of_failures), (planned, of_plan)):
            whole.places += part.places
            whole.money += part.money
    failures, cost = failed.sums(plan, len(draws))
    if not planned.places:
        return Counts(failures, np.broadcast_to(np.int64(0), failures.shape), cost)
    removals, more = planned.sums(plan, len(draws))
    return Counts(failures, removals, cost + more)


def _world(
    posterior: Posterior,
    states: FutureStates,
    plan: Plan,
    steps: FloatArray,
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
        steps=steps,
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
) -> tuple[_Ends, _Ends]:
    rows, paths, steps = world.rows, len(draws), len(world.steps) - 1
    risk = chunk_risk(posterior, states, multipliers, draws, kind, rows, steps)
    size = len(rows) * paths
    generator = np.random.default_rng([*world.seed, 0])
    ladder = risk.weights.cumsum(axis=1)  # (n, Q, R)
    node = (generator.random((len(rows), 1, paths), dtype=np.float32) > ladder[:, :-1]).sum(axis=1)
    shape = np.tile(risk.shape, len(rows))
    age = np.take_along_axis(risk.ages, node, axis=1).ravel()
    block = _Block(
        paths=paths,
        kind=np.full(size, kind, dtype=np.int64),
        shape=shape,
        rate=np.empty(size, dtype=np.float32),
        age=age,
        power=np.power(age, shape),
        store=generator.standard_exponential(size, dtype=np.float32),
        life=np.zeros(size, dtype=np.int16),
    )
    stores: dict[int, Float32Array] = {}
    failed, planned = _Ends([], []), _Ends([], [])
    for step in range(steps):
        np.copyto(block.rate, risk.rate(step).ravel(), where=block.life == 0)
        followers = np.flatnonzero(block.life > 0)
        if len(followers):
            block.rate[followers] = _follower_rate(world, block, followers)
        _one_step(world, block, stores, failed, planned, step)
    return failed, planned


def _follower_rate(world: _World, block: _Block, index: IntArray) -> Float32Array:
    """Rate of successors: the position's lasting covariates, their own ageing, their kind's scale."""
    heater, path = index // block.paths, index % block.paths
    kind = block.kind[index]
    year = np.minimum(block.age[index].astype(np.int64), world.ageing.shape[1] - 1)
    log_rate = world.log_z[heater, path] + world.lasting[heater, path] + world.ageing[kind, year, path]
    log_rate -= world.draws_shape[path, kind] * world.draws_log_scale[path, kind]
    answer: Float32Array = np.exp(np.clip(log_rate, -80, 80)).astype(np.float32)
    return answer


def _one_step(
    world: _World, block: _Block, stores: dict[int, Float32Array], failed: _Ends, planned: _Ends, step: int
) -> None:
    until, removes = float(world.steps[step + 1]), _removes(world.plan)
    # All at first; then those whose heater was replaced, each for what is left of the step.
    active: IntArray | slice = slice(None)
    left = np.full(len(block.age), until - world.steps[step], dtype=np.float32)
    while len(left):
        age, shape, rate = block.age[active], block.shape[active], block.rate[active]
        power, store = block.power[active], block.store[active]
        planned_in = _planned_in(world, block, active, age, left, step) if removes else None
        stop = left if planned_in is None else np.minimum(left, planned_in)
        later = age + stop
        high = np.power(later, shape)
        used = rate * (high - power)
        fails = used >= store
        out = np.zeros_like(fails) if planned_in is None else ~fails & (planned_in <= left)
        ends = np.flatnonzero(fails | out)
        failing = np.flatnonzero(fails)
        died = np.power(store[failing] / rate[failing] + power[failing], 1 / shape[failing])
        at = stop.copy()
        at[failing] = np.clip(died - age[failing], 0, stop[failing])
        block.store[active] = np.where(fails | out, store, store - used)
        block.age[active], block.power[active] = later, high
        if not len(ends):
            return
        when = until - left + at
        number = np.arange(len(left)) if isinstance(active, slice) else active
        _count(world, block, failed, 1, number[failing], when[failing])
        if planned_in is not None:
            gone = np.flatnonzero(out)
            _count(world, block, planned, 0, number[gone], when[gone])
        left, active = np.maximum(left[ends] - at[ends], 0), number[ends]
        _renew(world, block, stores, active)


def _planned_in(
    world: _World,
    block: _Block,
    active: IntArray | slice,
    age: Float32Array,
    left: Float32Array,
    step: int,
) -> Float32Array:
    """Years until the planned removal of each element; beyond ``left`` means not in this step.

    An overdue heater, and one whose own planned period this is, goes at the middle of the period.
    """
    plan = world.plan
    middle = left / 2
    answer = np.full(len(left), np.inf, dtype=np.float32)
    if np.isfinite(plan.planned_age_years):
        wait = np.float32(plan.planned_age_years) - age
        answer = np.where(wait > 0, wait, middle)
    own = plan.planned_period[world.rows]
    if (own == step).any():
        heater = np.arange(len(block.age))[active] // block.paths
        due = (own[heater] == step) & (block.life[active] == 0)
        answer = np.where(due, np.minimum(answer, middle), answer)
    return answer.astype(np.float32)


def _count(
    world: _World, block: _Block, ends: _Ends, by_kind: int, index: IntArray, when: FloatArray
) -> None:
    """Book the ends of these elements at their times, in years from today."""
    plan = world.plan
    heater = world.rows[index // block.paths]
    period = np.clip(np.searchsorted(plan.edges, when, side="right") - 1, 0, plan.period_count - 1)
    by_heater = plan.emergency_price if by_kind else plan.planned_price
    price = by_heater[heater] if by_heater.ndim == 1 else by_heater[heater, period]
    if plan.kind_prices is not None:
        price = plan.kind_prices[by_kind][plan.successor_kind[block.kind[index]]]
    ends.places.append(
        ((index % block.paths) * plan.period_count + period) * plan.group_count + plan.groups[heater]
    )
    ends.money.append(np.asarray(price, dtype=float))


def _renew(world: _World, block: _Block, stores: dict[int, Float32Array], index: IntArray) -> None:
    """Put a new heater in each of these places."""
    block.life[index] += 1
    block.kind[index] = world.plan.successor_kind[block.kind[index]]
    block.age[index] = 0.0
    block.power[index] = 0.0
    block.shape[index] = world.draws_shape[index % block.paths, block.kind[index]]
    lives = block.life[index]
    for life in np.unique(lives).tolist():
        if life not in stores:
            generator = np.random.default_rng([*world.seed, int(life)])
            stores[life] = generator.standard_exponential(len(block.age), dtype=np.float32)
        own = index[lives == life]
        block.store[own] = stores[life][own]
    block.rate[index] = _follower_rate(world, block, index)
