"""The best age, the worth of waiting, and the plan under caps against brute force and plain rules."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.capped import exact_plan
from forecasting.decomposed import decomposed_plan
from forecasting.policy import (
    Choices,
    Limits,
    PlanConflict,
    best_age,
    capped_plan,
    choice_worth,
    cost_rate,
    long_run_cost,
    plan_cost,
    plan_spend,
    sorted_plan,
)

YEARS = np.arange(61)


def weibull_survival(age: np.ndarray, shape: float = 3.0, scale: float = 14.0) -> np.ndarray:
    return np.exp((age[:, None] / scale) ** shape - ((age[:, None] + YEARS) / scale) ** shape)


def invented_choices(
    count: int, periods: int, seed: int, visit: float = 300.0, per_building: int = 2
) -> Choices:
    generator = np.random.default_rng(seed)
    age = generator.uniform(0.0, 22.0, count)
    planned = generator.uniform(1500, 3000, count)
    emergency = planned * generator.uniform(1.3, 3.0, count)
    g, _ = long_run_cost(weibull_survival(np.zeros(count)), planned, emergency, 0.01)
    worth = choice_worth(weibull_survival(age), planned, emergency, g, np.arange(periods + 1.0), 0.01)
    level = 1.03 ** np.arange(periods)
    building = np.arange(count) // per_building
    return Choices(
        np.arange(count) + 100,
        building,
        building // 2,
        np.column_stack([worth.planned, worth.later]),
        planned[:, None] * level,
        worth.survival * visit * worth.discount,
        visit * level,
    )


def invented_limits(choices: Choices, seed: int) -> Limits:
    generator = np.random.default_rng([seed, 1])
    count, periods = choices.spend.shape
    must = np.full(count, -1)
    must_not = np.zeros(count, dtype=bool)
    if generator.random() < 0.5:
        must[generator.integers(count)] = generator.integers(periods)
    if generator.random() < 0.5:
        must_not[generator.integers(count)] = True
        must_not &= must < 0
    own = {}
    if generator.random() < 0.5:
        own[0] = generator.uniform(2500, 6500, periods)
    crew = generator.integers(1, 4, periods).astype(float) if generator.random() < 0.5 else None
    return Limits(generator.uniform(3100, 8000, periods), own, crew, must, must_not)


def keeps_to(choices: Choices, limits: Limits, period: np.ndarray) -> bool:
    must = limits.must(len(period))
    if ((must >= 0) & ((period < 0) | (period > must))).any():
        return False
    if limits.must_not is not None and (period[limits.must_not] >= 0).any():
        return False
    slack = 1e-6
    if limits.money is not None and (plan_spend(choices, period) > limits.money + slack).any():
        return False
    if limits.crew is not None:
        used = np.bincount(period[period >= 0], minlength=choices.periods)
        if (used > limits.crew).any():
            return False
    return all(
        (plan_spend(choices, period, key) <= cap + slack).all() for key, cap in limits.property_money.items()
    )


def worked_out(choices: Choices, period: np.ndarray) -> tuple[float, np.ndarray]:
    """Cost and spending of a plan in plain loops, written apart from the program's own sums."""
    cost, spend = 0.0, np.zeros(choices.periods)
    ways: dict[tuple[int, int], list[float]] = {}
    for row, at in enumerate(period.tolist()):
        cost += float(choices.cost[row, at])
        if at >= 0:
            spend[at] += choices.spend[row, at]
            ways.setdefault((int(choices.building[row]), at), []).append(float(choices.saving[row, at]))
    for (_, at), savings in ways.items():
        cost -= sum(savings) - max(savings)
        spend[at] -= (len(savings) - 1) * choices.visit[at]
    return cost, spend


def brute_force(choices: Choices, limits: Limits) -> float:
    count, periods = choices.spend.shape
    return min(
        (
            worked_out(choices, np.array(plan))[0]
            for plan in itertools.product(range(-1, periods), repeat=count)
            if keeps_to(choices, limits, np.array(plan))
        ),
        default=np.inf,
    )


@pytest.mark.parametrize("block", range(10))
def test_capped_plan_equals_brute_force_on_200_small_portfolios(block: int) -> None:
    for seed in range(block * 20, block * 20 + 20):
        count, periods = ((3, 3), (4, 2), (4, 3), (5, 2))[seed % 4]
        choices = invented_choices(count, periods, seed)
        limits = invented_limits(choices, seed)
        best = brute_force(choices, limits)
        if not np.isfinite(best):
            with pytest.raises(PlanConflict):
                capped_plan(choices, limits)
            continue
        plan = capped_plan(choices, limits, relative_gap=1e-9)
        assert keeps_to(choices, limits, plan.period)
        cost, spend = worked_out(choices, plan.period)
        assert plan.cost == pytest.approx(cost, rel=1e-9)
        assert plan.cost == pytest.approx(best, rel=1e-7, abs=1e-4)
        assert plan.spend == pytest.approx(spend, rel=1e-9)
        assert plan.gap <= 1e-3


@pytest.mark.parametrize("seed", range(6))
def test_never_worse_than_sorting_by_risk_or_by_age(seed: int) -> None:
    choices = invented_choices(40, 5, seed)
    age = np.random.default_rng(seed).uniform(0.0, 22.0, 40)  # the same ages as the choices were made of
    risk = 1 - weibull_survival(age)[:, 3]
    must = np.full(40, -1)
    must[3] = 2
    limits = Limits(np.full(5, 9000.0), crew=np.full(5, 4.0), must_by=must)
    plan = capped_plan(choices, limits, relative_gap=0.01)
    for urgency in (risk, age):
        listed = sorted_plan(choices, limits, urgency)
        assert keeps_to(choices, limits, listed.period)
        assert plan.cost <= listed.cost + 1e-6
        assert plan.bound <= listed.cost


@pytest.mark.parametrize("seed", range(4))
def test_the_decomposed_plan_keeps_to_the_caps_and_its_bound_holds(seed: int) -> None:
    choices = invented_choices(60, 5, seed, per_building=4)
    must = np.full(60, -1)
    must[[1, 7, 30]] = [0, 1, 4]
    limits = Limits(np.full(5, 14_000.0), {0: np.full(5, 4000.0)}, np.full(5, 6.0), must, None)
    exact = exact_plan(choices, limits, limits.allowed(60, 5), relative_gap=0.02)
    fast = decomposed_plan(choices, limits)
    assert keeps_to(choices, limits, fast.period)
    assert fast.bound <= exact.cost + 1e-6
    assert exact.bound <= fast.cost + 1e-6
    saved = choices.cost[:, -1].sum() - exact.cost
    assert fast.gap <= 0.15 * saved
    assert fast.method == "decomposed"


def test_the_same_question_gives_the_same_plan() -> None:
    choices = invented_choices(20, 4, 5)
    limits = Limits(np.full(4, 9000.0))
    first, second = capped_plan(choices, limits), capped_plan(choices, limits)
    assert (first.period == second.period).all()


def test_more_money_never_costs_more() -> None:
    choices = invented_choices(12, 3, 8)
    costs = [
        capped_plan(choices, Limits(np.full(3, cap)), relative_gap=1e-9).cost for cap in (0, 4e3, 8e3, 1e6)
    ]
    assert costs[0] == pytest.approx(choices.cost[:, -1].sum())
    assert all(later <= earlier + 1e-6 for earlier, later in itertools.pairwise(costs))


def test_conflicts_are_told_with_the_figures_that_conflict() -> None:
    choices = invented_choices(6, 2, 1)
    must = np.array([0, 0, 0, -1, -1, -1])
    with pytest.raises(PlanConflict, match="must be done by period 1 cost at least") as refusal:
        capped_plan(choices, Limits(np.full(2, 2000.0), must_by=must))
    need = choices.spend[:3, 0].sum() - choices.visit[0]
    assert refusal.value.figures["must_cost"] == pytest.approx(need)
    assert refusal.value.figures["cap"] == 2000.0
    assert refusal.value.figures["missing"] == pytest.approx(need - 2000.0)
    with pytest.raises(PlanConflict, match="crew can do 2"):
        capped_plan(choices, Limits(crew=np.array([2.0, 9.0]), must_by=must))
    with pytest.raises(PlanConflict, match="both on the list"):
        capped_plan(choices, Limits(must_by=must, must_not=must >= 0))
    with pytest.raises(PlanConflict, match="dearest"):  # enough in all, but no one period can carry it
        capped_plan(choices, Limits(np.array([1400.0, 1400.0]), must_by=np.array([1, -1, -1, -1, -1, -1])))
    with pytest.raises(PlanConflict, match="below 0"):
        capped_plan(
            Choices(*(getattr(choices, name) for name in ("heater_ids", "building", "property_id", "cost")),
                    -choices.spend, choices.saving, choices.visit),
            Limits(),
        )  # fmt: skip
    with pytest.raises(PlanConflict, match="0 years"):
        choice_worth(weibull_survival(np.ones(1)), np.ones(1), np.ones(1), np.ones(1), np.array([0.0]))
    with pytest.raises(PlanConflict, match="planned price -1") as negative:
        best_age(3.0, 14.0, -1.0, 5.0)
    assert negative.value.figures == {"planned_price": -1.0}


@settings(max_examples=60, deadline=None)
@given(st.floats(1.05, 8.0), st.floats(2.0, 40.0), st.floats(100.0, 3000.0), st.floats(1.05, 12.0))
def test_no_other_age_is_cheaper_than_the_best_one(
    shape: float, scale: float, planned: float, ratio: float
) -> None:
    found = best_age(shape, scale, planned, planned * ratio)
    others = cost_rate(np.geomspace(0.05, 8, 200) * scale, shape, scale, planned, planned * ratio)
    assert (found.cost_a_year[0] <= others * (1 + 1e-9)).all()
    assert found.cost_a_year[0] <= found.run_to_failure_a_year[0]


@given(st.floats(0.3, 1.0), st.floats(1.0, 30.0))
def test_units_that_do_not_wear_out_are_run_to_failure(shape: float, ratio: float) -> None:
    found = best_age([shape, shape], 12.0, 1000.0, 1000.0 * ratio)
    assert np.isinf(found.age_years).all()
    assert found.advice == "run to failure"


def test_interval_of_the_best_age_over_the_draws() -> None:
    generator = np.random.default_rng(4)
    found = best_age(generator.lognormal(np.log(3.2), 0.1, 500), 14.0, 1000.0, 3000.0)
    low, middle, high = found.interval()
    assert low < middle < high
    assert middle == pytest.approx(0.63472 * 14, abs=0.15)
    assert found.advice == "replace by age"
    assert found.interval(0.98)[0] < low


def test_waiting_pays_before_the_best_age_and_not_after() -> None:
    age = np.array([2.0, 5.0, 8.0, 11.0, 14.0])
    planned, emergency = np.full(5, 1000.0), np.full(5, 3000.0)
    g, best = long_run_cost(weibull_survival(np.zeros(5), 3.2), planned, emergency)
    worth = choice_worth(weibull_survival(age, 3.2), planned, emergency, g, np.arange(11.0))
    assert 8 < best[0] < 10
    assert worth.waiting_pays.tolist() == [True, True, True, False, False]
    assert (np.diff(worth.waiting_cost) > 0).all()


def test_a_new_unit_renewed_at_its_best_age_is_worth_nothing_more_than_itself() -> None:
    planned, emergency = np.array([1000.0]), np.array([3000.0])
    survival = weibull_survival(np.zeros(1))
    g, age = long_run_cost(survival, planned, emergency, 0.02)
    edges = np.array([0.0, 2 * age[0]])  # the middle of the one period is the best age
    worth = choice_worth(survival, planned, emergency, g, edges, 0.02)
    assert worth.planned[0, 0] == pytest.approx(0.0, abs=0.01)
    assert worth.run_to_failure[0] > 0


def test_worth_of_a_plan_equals_its_plain_expectation() -> None:
    """By simulation of the first life: cost at failure or plan, less g a year lived, no discounting."""
    age, planned, emergency, g = np.array([9.0]), np.array([1000.0]), np.array([2600.0]), np.array([120.0])
    worth = choice_worth(weibull_survival(age), planned, emergency, g, np.array([0.0, 1, 2, 3, 4]))
    draws = np.random.default_rng(1).exponential(size=400_000)
    life = ((9 / 14) ** 3 + draws) ** (1 / 3) * 14 - 9
    for period in range(4):
        at = period + 0.5
        cost = np.where(life < at, 2600.0, 1000.0) - 120.0 * np.minimum(life, at)
        assert worth.planned[0, period] == pytest.approx(cost.mean(), abs=5.0)
    assert worth.run_to_failure[0] == pytest.approx((2600 - 120 * life).mean(), abs=5.0)


def test_plan_cost_counts_the_way_to_a_building_once() -> None:
    choices = invented_choices(4, 2, 3)
    together, apart = np.array([0, 0, -1, -1]), np.array([0, 1, -1, -1])
    assert plan_cost(choices, together) == pytest.approx(worked_out(choices, together)[0])
    assert plan_spend(choices, together)[0] == pytest.approx(choices.spend[:2, 0].sum() - choices.visit[0])
    assert plan_spend(choices, apart)[1] == pytest.approx(choices.spend[1, 1])


def test_prices_by_period_change_only_what_falls_in_their_period() -> None:
    survival = np.exp(-((np.arange(62) / 12.0) ** 3))[None, :].repeat(3, axis=0)
    survival[1], survival[2] = survival[0] ** 2, survival[0] ** 4
    edges = np.arange(6.0)
    planned, failure, g = np.full(3, 1500.0), np.full(3, 4000.0), np.full(3, 180.0)
    plain = choice_worth(survival, planned, failure, g, edges, 0.01)
    wide = choice_worth(
        survival, np.repeat(planned[:, None], 5, 1), np.repeat(failure[:, None], 5, 1), g, edges, 0.01
    )
    for name in ("planned", "later", "run_to_failure", "waiting_cost"):
        assert np.allclose(getattr(plain, name), getattr(wide, name))
    rising = np.repeat(planned[:, None], 5, 1)
    rising[:, 2:] = 3000.0
    dear = choice_worth(survival, rising, np.repeat(failure[:, None], 5, 1), g, edges, 0.01)
    assert np.allclose(dear.planned[:, :2], plain.planned[:, :2])
    assert (dear.planned[:, 2:] > plain.planned[:, 2:]).all()
    assert (dear.later >= plain.later).all()


def test_a_search_out_of_nodes_still_gives_a_plan_and_the_same_one_each_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import forecasting.capped as module

    count, periods = 40, 5
    rng = np.random.default_rng(5)
    spend = np.repeat(rng.uniform(900, 2600, count).round(2)[:, None], periods, 1)
    cost = np.column_stack([rng.uniform(0, 900, (count, periods)), rng.uniform(900, 2000, count)])
    choices = Choices(
        np.arange(count), np.arange(count) // 4, np.zeros(count, int), cost, spend,
        np.full((count, periods), 40.0), np.full(periods, 150.0),
    )  # fmt: skip
    limits = Limits(np.full(periods, 7000.0))

    def ended(*_: object, **__: object) -> None:
        raise module.SearchEnded("out of nodes")

    exact = capped_plan(choices, limits)
    monkeypatch.setattr(module, "exact_plan", ended)
    first, second = capped_plan(choices, limits), capped_plan(choices, limits)
    assert first.method == "decomposed"
    assert (first.period == second.period).all()
    assert (first.spend <= 7000.0 + 1e-6).all()
    assert exact.bound - 1e-6 <= first.cost
