"""Joint paths heater by heater: exact in continuous time, for buildings and small portfolios.

Each life has a unit-exponential store of hazard; it fails when its cumulative hazard has used it up.  A
successor takes over at that moment with a store of its own and can fail in the same period.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from forecasting.ends import Ends, joined
from forecasting.episodes import FloatArray, FutureStates, IntArray
from forecasting.plan import Plan, period_covariates
from forecasting.posterior import Posterior
from forecasting.risk import (
    AGEING_COVARIATES,
    ChunkRisk,
    Float32Array,
    Multipliers,
    ageing_profile,
    building_multipliers,
    chunk_risk,
    kind_chunks,
)
from forecasting.threads import in_threads

ELEMENTS_A_BLOCK = 250_000
ELEMENTS_AT_ONCE = 20_000  # of a block: what is carried from step to step stays inside the second-level cache


@dataclass
class _Block:
    """State of n heaters x R paths, flattened; element e is heater e // R on path e % R."""

    paths: int
    first: int  # place of its first heater in the world's rows
    kind: npt.NDArray[np.int64]
    shape: Float32Array
    rate: Float32Array  # hazard multiplier / lam^k in the running step
    age: Float32Array
    power: Float32Array  # age ** shape
    store: Float32Array  # hazard left until failure
    life: npt.NDArray[np.int16]  # 0 = the heater in service today
    scale: FloatArray  # shape * log scale of a successor in its place


@dataclass
class _Ended:
    """Elements that ended, when in years from today, and the kinds that did."""

    index: list[IntArray]
    when: list[FloatArray]
    kind: list[IntArray]

    def add(self, block: _Block, index: IntArray, when: FloatArray) -> None:
        self.index.append(index)
        self.when.append(when)
        self.kind.append(block.kind[index])


@dataclass(frozen=True)
class _World:
    """What does not change along a path."""

    plan: Plan
    steps: FloatArray  # (S+1,) years from today between which hazards stand still
    rows: IntArray
    draws_shape: FloatArray  # (R, K)
    draws_scale: FloatArray  # (R, K) shape * log scale
    position: (
        FloatArray  # (n, R) log of the place's multiplier with what a successor takes over of its covariates
    )
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
) -> Ends:
    """Run ``len(draws)`` joint paths.  The same seed gives the same stores whatever the plan, so plans
    compared on one seed differ by what was decided, not by luck."""
    steps = steps_of(plan)
    by_step = replace(states, x=period_covariates(states.x, steps))
    multipliers = building_multipliers(posterior, states, draws)
    profile = ageing_profile(posterior, states) if profile is None else profile
    beta = posterior.beta[draws]
    ageing = np.einsum("kvp,rp->kvr", profile, beta).astype(np.float32)
    blocks = list(enumerate(kind_chunks(by_step, max(1, ELEMENTS_A_BLOCK // len(draws)))))

    def one(block: tuple[int, tuple[int, IntArray]]) -> list[Ends]:
        number, (kind, rows) = block
        world = _world(posterior, states, plan, steps, draws, multipliers, rows, ageing, number)
        return _run(
            world, chunk_risk(posterior, by_step, multipliers, draws, kind, rows, len(steps) - 1), kind
        )

    found = [part for parts in in_threads(one, blocks) for part in parts]
    return joined((len(draws), plan.period_count, plan.group_count), found)


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
    shape = np.exp(posterior.log_shape[draws])
    lasting = (lasting_x @ posterior.beta[draws].T).astype(np.float32)
    return _World(
        plan=plan,
        steps=steps,
        rows=rows,
        draws_shape=shape,
        draws_scale=shape * posterior.log_scale[draws],
        position=np.log(multipliers.z[:, multipliers.column[rows]]).T + lasting,
        ageing=ageing,
        seed=(abs(plan.seed), 7003, number),
    )


def _run(world: _World, risk: ChunkRisk, kind: int) -> list[Ends]:
    """All steps of some heaters, then of the next: the random numbers are those of the whole block."""
    heaters, paths = len(world.rows), len(risk.shape)
    generator = np.random.default_rng([*world.seed, 0])
    ladder = risk.weights.cumsum(axis=1)  # (n, Q, R)
    node = (generator.random((heaters, 1, paths), dtype=np.float32) > ladder[:, :-1]).sum(axis=1)
    ages = np.take_along_axis(risk.ages, node, axis=1)
    stores = {0: generator.standard_exponential(heaters * paths, dtype=np.float32)}
    found: list[Ends] = []
    at_once = max(1, ELEMENTS_AT_ONCE // paths)
    for first in range(0, heaters, at_once):
        part = slice(first, first + at_once)
        age = ages[part].ravel()
        shape = np.tile(risk.shape, len(age) // paths)
        block = _Block(
            paths=paths,
            first=first,
            kind=np.full(len(age), kind, dtype=np.int64),
            shape=shape,
            rate=np.empty(len(age), dtype=np.float32),
            age=age,
            power=np.power(age, shape),
            store=stores[0][first * paths :][: len(age)].copy(),
            life=np.zeros(len(age), dtype=np.int16),
            scale=np.empty(len(age)),
        )
        failed, planned = _Ended([], [], []), _Ended([], [], [])
        for step in range(len(world.steps) - 1):
            np.copyto(block.rate, risk.rate(step)[part].reshape(-1), where=block.life == 0)
            followers = np.flatnonzero(block.life > 0)
            if len(followers):
                block.rate[followers] = _follower_rate(world, block, followers)
            _one_step(world, block, stores, failed, planned, step)
        found += [_booked(world, block, ended, ended is failed) for ended in (failed, planned) if ended.index]
    return found


def _follower_rate(world: _World, block: _Block, index: IntArray) -> Float32Array:
    """Rate of successors: the position's lasting covariates, their own ageing, their kind's scale."""
    _, years, paths = world.ageing.shape
    year = np.minimum(block.age[index].astype(np.int64), years - 1)
    own = (block.kind[index] * years + year) * paths + index % paths
    log_rate = world.position.reshape(-1)[index + block.first * paths] + world.ageing.reshape(-1)[own]
    log_rate -= block.scale[index]
    answer: Float32Array = np.exp(np.clip(log_rate, -80, 80)).astype(np.float32)
    return answer


def _one_step(
    world: _World,
    block: _Block,
    stores: dict[int, Float32Array],
    failed: _Ended,
    planned: _Ended,
    step: int,
) -> None:
    until, removes = float(world.steps[step + 1]), _removes(world.plan)
    # All at first; then those whose heater was replaced, each for what is left of the step.
    active: IntArray | slice = slice(None)
    left = np.broadcast_to(np.float32(until - world.steps[step]), block.age.shape)
    while len(left):
        age, shape, rate = block.age[active], block.shape[active], block.rate[active]
        power, store = block.power[active], block.store[active]
        planned_in = _planned_in(world, block, active, age, left, step) if removes else None
        stop = left if planned_in is None else np.minimum(left, planned_in)
        later = age + stop
        high = np.power(later, shape)
        used = high - power
        used *= rate
        fails = used >= store
        out = None if planned_in is None else ~fails & (planned_in <= left)
        failing = np.flatnonzero(fails)
        ends = failing if out is None else np.flatnonzero(fails | out)
        died = np.power(store[failing] / rate[failing] + power[failing], 1 / shape[failing])
        died = np.clip(died - age[failing], 0, stop[failing])
        number = np.arange(len(left)) if isinstance(active, slice) else active
        failed.add(block, number[failing], until - left[failing] + died)
        if out is not None:
            gone = np.flatnonzero(out)
            planned.add(block, number[gone], until - left[gone] + stop[gone])
        # What ended takes a new store below.
        block.store[active] = store - used
        block.age[active], block.power[active] = later, high
        if not len(ends):
            return
        at = stop[ends]
        at[np.searchsorted(ends, failing)] = died
        left, active = np.maximum(left[ends] - at, 0), number[ends]
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
        heater = block.first + np.arange(len(block.age))[active] // block.paths
        due = (own[heater] == step) & (block.life[active] == 0)
        answer = np.where(due, np.minimum(answer, middle), answer)
    return answer.astype(np.float32)


def _booked(world: _World, block: _Block, ended: _Ended, by_failure: bool) -> Ends:
    """What ended by period and group, with its price."""
    plan = world.plan
    index, when, kind = (np.concatenate(parts) for parts in (ended.index, ended.when, ended.kind))
    heater = world.rows[block.first + index // block.paths]
    period = np.clip(np.searchsorted(plan.edges, when, side="right") - 1, 0, plan.period_count - 1)
    by_heater = plan.emergency_price if by_failure else plan.planned_price
    price = by_heater[heater] if by_heater.ndim == 1 else by_heater[heater, period]
    if plan.kind_prices is not None:
        price = plan.kind_prices[int(by_failure)][plan.successor_kind[kind]]
    one, none = np.ones(len(index), dtype=np.int32), np.zeros(len(index), dtype=np.int32)
    return Ends(
        (block.paths, plan.period_count, plan.group_count),
        (index % block.paths).astype(np.int32),
        period.astype(np.int32),
        plan.groups[heater].astype(np.int32),
        one if by_failure else none,
        none if by_failure else one,
        np.asarray(price, dtype=float),
    )


def _renew(world: _World, block: _Block, stores: dict[int, Float32Array], index: IntArray) -> None:
    """Put a new heater in each of these places."""
    path = index % block.paths
    kind = world.plan.successor_kind[block.kind[index]]
    block.life[index] += 1
    block.kind[index] = kind
    block.age[index] = 0.0
    block.power[index] = 0.0
    block.shape[index] = world.draws_shape[path, kind]
    block.scale[index] = world.draws_scale[path, kind]
    lives = block.life[index]
    whole = len(world.rows) * block.paths
    for life in range(1, int(lives.max(initial=0)) + 1):
        if life not in stores:
            generator = np.random.default_rng([*world.seed, life])
            stores[life] = generator.standard_exponential(whole, dtype=np.float32)
        own = index[lives == life]
        block.store[own] = stores[life][own + block.first * block.paths]
    block.rate[index] = _follower_rate(world, block, index)
