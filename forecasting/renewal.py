"""Replacement streams: failures, successors that fail in turn, planned removals, and their cost by period."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from forecasting.cells import gather
from forecasting.cohorts import run_cohorts
from forecasting.ends import Ends, joined
from forecasting.episodes import FloatArray, FutureStates, IntArray
from forecasting.plan import Plan, Prices, price_levels
from forecasting.positions import simulate_positions, steps_of
from forecasting.posterior import Posterior
from forecasting.risk import (
    Multipliers,
    ageing_profile,
    building_multipliers,
    check_states,
    failure_probabilities,
)
from forecasting.streams import Shares, Streams

__all__ = [
    "Prices",
    "Shares",
    "Streams",
    "expected_renewals",
    "failure_count_distribution",
    "poisson_binomial",
    "replacement_streams",
]

EXACT_WORK = 30_000_000  # heaters x paths x years, about two seconds on two cores
HEATERS_A_GROUP = 10  # with fewer, cells hold hardly more than a heater each and save nothing
EXPECTED_PATHS = 200


def replacement_streams(
    posterior: Posterior,
    states: FutureStates,
    period_edges_years: Sequence[float] | FloatArray,
    groups: IntArray,
    n_groups: int,
    prices: Prices,
    successor_kind: IntArray,
    paths: int = 1000,
    seed: int = 0,
    planned_age_years: float | None = None,
    planned_period: IntArray | None = None,
    period_labels: Sequence[str] | None = None,
    group_labels: Sequence[str] | None = None,
    exact: bool | None = None,
    chance_seed: int | None = None,
    ageing: FloatArray | None = None,
    expected_of_all: int | None = None,
) -> Streams:
    """Joint paths of the portfolio over the periods.

    period_edges_years  (T+1,) years from today, rising, the first 0
    groups              (N,) 0..n_groups-1, what totals are kept apart for
    successor_kind      (K,) index of the kind that takes over from each kind
    planned_age_years   replace every heater that reaches this age (overdue ones in the first period)
    planned_period      (N,) index of the period in which a heater in service is to be replaced, -1 = none
    exact               heater by heater (default up to 30 million heaters x paths x years, 1,000 heaters over
                        30 years on 1,000 paths, and with under ten heaters a group), else by cohort cells
    chance_seed         seed of the fates alone, for one of several parts of a portfolio: parts on the same
                        ``seed`` share parameters and prices path by path, and so can be added path by path
    ageing              (K, V, P) how successors age (``ageing_profile``), when these heaters are a part
    expected_of_all     work out the expectation given the parameters for so many paths only and for all groups
                        together: ``expected_base_cost`` then has one group

    Each path takes one posterior draw, one rate of price growth and its own chance.  A failed or removed
    heater is followed in the same period by a successor of age 0 with the position's water, pressure, use
    and building, whose anode and scale go as this fleet's do at its age, and which can fail in turn.
    Failures cost ``emergency_cost``, planned removals ``planned_cost``, of the kind going in.  The same seed
    gives the same draws, fates and prices whatever the plan, so scenarios on one seed can be subtracted path
    by path.  Raises ValueError naming the argument that does not fit.
    """
    check_states(posterior, states)
    edges = np.asarray(period_edges_years, dtype=float)
    plan = _plan(
        posterior,
        states,
        edges,
        groups,
        n_groups,
        prices,
        successor_kind,
        planned_age_years,
        planned_period,
        seed if chance_seed is None else chance_seed,
    )
    if paths < 1:
        raise ValueError(f"paths is {paths}; give at least 1")
    count = len(states.heater_ids)
    draws = _draws_of_paths(posterior, paths)
    some = min(paths, expected_of_all or EXPECTED_PATHS)
    few = np.unique(np.linspace(0, paths - 1, some).round().astype(np.int64))
    whole = plan
    if expected_of_all:
        whole = replace(plan, groups=np.zeros_like(plan.groups), group_count=1)
    work = count * paths * (len(steps_of(plan)) - 1)
    by_position = (work <= EXACT_WORK or count < HEATERS_A_GROUP * n_groups) if exact is None else exact
    if count:
        profile = ageing_profile(posterior, states) if ageing is None else ageing
        ends, expected = _both(posterior, states, (plan, whole), draws, few, by_position, profile)
    else:
        ends = joined((paths, plan.period_count, n_groups), [])
        expected = np.zeros((len(few), whole.period_count, whole.group_count))
    return Streams(
        periods=_labels(period_labels, plan.period_count, "year {}"),
        groups=_labels(group_labels, n_groups, "group {}"),
        ends=ends,
        price_level=price_levels(prices, edges, paths, seed),
        expected_paths=few,
        expected_base_cost=expected,
        method="positions" if by_position else "cohorts",
    )


def _both(
    posterior: Posterior,
    states: FutureStates,
    plans: tuple[Plan, Plan],
    draws: IntArray,
    few: IntArray,
    by_position: bool,
    profile: FloatArray,
) -> tuple[Ends, FloatArray]:
    """The paths, and for a few of them the cost expected given their parameters, by the groups of the second plan."""
    plan, whole = plans
    multipliers = building_multipliers(posterior, states, draws)
    those = Multipliers(multipliers.column, multipliers.z[few])
    cells = gather(posterior, states, whole, multipliers)
    expected = run_cohorts(posterior, cells, whole, those, draws[few], profile, by_chance=False).base_cost
    if by_position:
        return simulate_positions(posterior, states, plan, draws, profile), expected
    if whole is not plan:
        cells = gather(posterior, states, plan, multipliers)
    return run_cohorts(posterior, cells, plan, multipliers, draws, profile).ends(), expected


def _draws_of_paths(posterior: Posterior, paths: int) -> IntArray:
    """One draw a path; every draw is used before any is used twice."""
    total = len(posterior.dispersion)
    if paths >= total:
        return np.arange(paths) % total
    return np.linspace(0, total - 1, paths).round().astype(np.int64)


def _labels(given: Sequence[str] | None, count: int, pattern: str) -> tuple[str, ...]:
    if given is None:
        return tuple(pattern.format(index + 1) for index in range(count))
    if len(given) != count:
        raise ValueError(f"{len(given)} labels given for {count}")
    return tuple(given)


def _plan(
    posterior: Posterior,
    states: FutureStates,
    edges: FloatArray,
    groups: IntArray,
    n_groups: int,
    prices: Prices,
    successor_kind: IntArray,
    planned_age_years: float | None,
    planned_period: IntArray | None,
    seed: int,
) -> Plan:
    count, kinds = len(states.heater_ids), len(posterior.kinds)
    if len(edges) < 2 or edges[0] != 0 or (np.diff(edges) <= 0).any():
        raise ValueError("period_edges_years must start at 0 and rise, with at least one period")
    group = np.asarray(groups, dtype=np.int64)
    if group.shape != (count,) or (count and (group.min() < 0 or group.max() >= n_groups)):
        raise ValueError(f"groups must hold {count} numbers from 0 to {n_groups - 1}")
    successor = np.asarray(successor_kind, dtype=np.int64)
    if successor.shape != (kinds,) or successor.min() < 0 or successor.max() >= kinds:
        raise ValueError(f"successor_kind must hold {kinds} indices of kinds, 0 to {kinds - 1}")
    if planned_age_years is not None and planned_age_years < 1:
        raise ValueError(f"planned_age_years is {planned_age_years}; give at least 1, or None for never")
    planned = np.full(count, -1) if planned_period is None else np.asarray(planned_period)
    if planned.shape != (count,) or (count and (planned.min() < -1 or planned.max() >= len(edges) - 1)):
        raise ValueError(f"planned_period must hold {count} numbers from -1 (none) to {len(edges) - 2}")
    costs = (np.asarray(prices.planned_cost, dtype=float), np.asarray(prices.emergency_cost, dtype=float))
    length = kinds if prices.by == "kind" else count
    for name, cost in zip(("planned_cost", "emergency_cost"), costs, strict=True):
        by_period = prices.by == "heater" and cost.shape == (count, len(edges) - 1)
        if not (cost.shape == (length,) or by_period) or not np.isfinite(cost).all() or (cost < 0).any():
            raise ValueError(f"prices.{name} must hold {length} amounts of at least 0, one a {prices.by}")
    by_kind = costs if prices.by == "kind" else None
    per_heater = tuple(cost[successor[states.kind]] if by_kind else cost for cost in costs)
    return Plan(
        edges=edges,
        groups=group,
        group_count=n_groups,
        successor_kind=successor,
        planned_price=per_heater[0],
        emergency_price=per_heater[1],
        kind_prices=by_kind,
        planned_age_years=np.inf if planned_age_years is None else float(planned_age_years),
        planned_period=planned.astype(np.int64),
        seed=int(seed),
    )


def expected_renewals(failed_share: FloatArray) -> FloatArray:
    """Renewal function M on an even grid from the share failed F there: M(t) = F(t) + integral of M(t-s) dF(s).

    ``failed_share`` (n+1,) starts at 0 and does not fall; returns M (n+1,), the expected number of
    replacements of one place that starts with a new heater.  Step lives are centred (trapezium in M), so the
    error falls with the square of the step.  Raises ValueError for a share that falls or leaves [0, 1].
    """
    share = np.asarray(failed_share, dtype=float)
    if share[0] != 0 or (np.diff(share) < 0).any() or share[-1] > 1:
        raise ValueError("failed_share must start at 0, not fall and not pass 1")
    lives = np.diff(share)
    answer = np.zeros(len(share))
    for i in range(1, len(share)):
        # Between grid points M is taken straight: the mean of its two ends.
        older = lives[1:i] @ (answer[i - 1 : 0 : -1] + answer[i - 2 :: -1][: i - 1]) / 2 if i > 1 else 0.0
        answer[i] = (share[i] + older + lives[0] * answer[i - 1] / 2) / (1 - lives[0] / 2)
    return answer


def poisson_binomial(chances: FloatArray) -> FloatArray:
    """Distribution of the number of successes in independent trials with different chances.

    ``chances`` (..., n) in [0, 1]; returns (..., n + 1), by exact convolution.  Source: Hong 2013,
    Computational Statistics and Data Analysis 59:41-51 (the distribution; convolution is elementary).
    """
    p = np.asarray(chances, dtype=float)
    if p.size and (p.min() < 0 or p.max() > 1):
        raise ValueError("chances must lie between 0 and 1")
    answer = np.zeros((*p.shape[:-1], p.shape[-1] + 1))
    answer[..., 0] = 1.0
    for index in range(p.shape[-1]):
        q = p[..., index, None]
        answer[..., 1:] = answer[..., 1:] * (1 - q) + answer[..., :-1] * q
        answer[..., :1] *= 1 - q
    return answer


def failure_count_distribution(
    posterior: Posterior, states: FutureStates, horizon_years: int, members: IntArray | None = None
) -> FloatArray:
    """Exact chance that 0, 1, ... n of these heaters fail for the first time within ``horizon_years``.

    Poisson-binomial given each draw (heaters of one building share that draw's multiplier), averaged over
    the draws: honest quantiles for a building of five.  Returns (n + 1,) summing to 1.
    """
    chances = failure_probabilities(posterior, states, (horizon_years,), len(posterior.dispersion))[:, :, 0]
    own = chances if members is None else chances[members]
    return np.asarray(poisson_binomial(own.T).mean(axis=0))
