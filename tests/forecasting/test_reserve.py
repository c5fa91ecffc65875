"""The reserve fund on joint paths: balances, the least contribution, shortfalls and assessments."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from forecasting.reserve import (
    Fund,
    balances,
    contribution_for,
    fully_funded_balance,
    least_contributions,
    percent_funded,
    shortfalls,
)

paths_of_expenses = st.lists(st.lists(st.floats(0, 50_000), min_size=5, max_size=5), min_size=1, max_size=12)


@settings(max_examples=80, deadline=None)
@given(paths_of_expenses, st.floats(-5000, 40_000), st.floats(0, 0.08), st.sampled_from(["start", "end"]))
def test_each_path_at_its_own_least_contribution_touches_the_floor_and_never_falls_below(
    rows: list[list[float]], opening: float, rate: float, timing: str
) -> None:
    expenses = np.array(rows)
    fund = Fund.level(opening, rate, np.arange(6), floor=1000.0, timing=timing)  # type: ignore[arg-type]
    least = least_contributions(fund, expenses)
    for row, own in enumerate(least):
        lowest = balances(fund, np.full(5, own), expenses[row]).min()
        assert lowest >= 1000 - 1e-6
        if own > 0:
            assert lowest == pytest.approx(1000, abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(paths_of_expenses, st.sampled_from([0.0, 0.1, 0.25, 0.5]))
def test_the_contribution_holds_the_limit_and_a_little_less_does_not(
    rows: list[list[float]], limit: float
) -> None:
    expenses = np.array(rows)
    fund = Fund.level(2000.0, 0.02, np.arange(6))
    needed = contribution_for(fund, expenses, limit)
    below = (balances(fund, np.full(5, needed), expenses) < -1e-6).any(axis=1)
    assert below.mean() <= limit + 1e-12
    if needed > 1:
        less = (balances(fund, np.full(5, needed - 0.01), expenses) < -1e-9).any(axis=1)
        assert less.mean() > limit


def test_chance_of_a_shortfall_against_a_closed_case() -> None:
    """One period, no interest, a normal expense: P(short) = 1 - Phi((balance - mean) / sd)."""
    expenses = np.random.default_rng(5).normal(10_000, 2_000, (40_000, 1))
    fund = Fund.level(4_000.0, 0.0, np.arange(2))
    exact = 1 - norm.cdf((4_000 + 8_000 - 10_000) / 2_000)
    found = shortfalls(fund, [8_000.0], expenses)
    error = 4 * math.sqrt(exact * (1 - exact) / 40_000)
    assert found.any_period == pytest.approx(exact, abs=error)
    assert contribution_for(fund, expenses, 0.1) == pytest.approx(6_000 + 1.2815516 * 2_000, abs=60)
    normal_loss = 2_000 * (norm.pdf(1.0) - 1.0 * (1 - norm.cdf(1.0)))
    assert found.mean_total == pytest.approx(normal_loss, rel=0.05)
    assert found.mean_when_any == pytest.approx(found.mean_total / found.any_period)


def test_balances_by_hand() -> None:
    fund = Fund.level(1000.0, 0.10, np.arange(3), other_draws=50.0)
    found = balances(fund, [200.0, 300.0], np.array([[400.0, 0.0]]))
    assert found[0].tolist() == pytest.approx([(1000 + 200) * 1.1 - 450, (870 + 300) * 1.1 - 50])
    late = Fund.level(1000.0, 0.10, np.arange(3), other_draws=50.0, timing="end")
    assert balances(late, [200.0, 300.0], np.array([[400.0, 0.0]]))[0, 0] == pytest.approx(850.0)


def test_an_assessment_fills_the_fund_so_that_one_hole_is_not_charged_twice() -> None:
    fund = Fund.level(100.0, 0.0, np.arange(4))
    found = shortfalls(fund, [0.0, 0.0, 0.0], np.array([[300.0, 0.0, 50.0], [0.0, 0.0, 100.0]]))
    assert found.assessed.tolist() == [[200.0, 0.0, 50.0], [0.0, 0.0, 0.0]]
    assert found.any_period == 0.5
    assert found.by_period.tolist() == [0.5, 0.0, 0.5]


def test_a_part_of_a_year_earns_and_pays_its_part() -> None:
    fund = Fund.level(1000.0, 0.04, [0.0, 0.25, 1.25])
    assert fund.interest.tolist() == pytest.approx([1.04**0.25 - 1, 0.04])
    least = least_contributions(fund, np.array([[0.0, 3000.0]]), pattern=[0.25, 1.0])
    paid = np.array([0.25, 1.0]) * least[0]
    assert balances(fund, paid, np.array([[0.0, 3000.0]]))[0, -1] == pytest.approx(0.0, abs=1e-9)


@given(st.floats(0, 1e6), st.floats(0, 60), st.floats(1, 40))
def test_fully_funded_lies_between_nothing_and_the_whole_cost(cost: float, age: float, life: float) -> None:
    found = float(fully_funded_balance(cost, age, life))
    assert 0 <= found <= cost * (1 + 1e-12)
    if age >= life:
        assert found == pytest.approx(cost)


def test_percent_funded_of_nothing_due_is_whole() -> None:
    assert percent_funded(0.0, 0.0) == 100.0
    assert percent_funded(600.0, 500.0) == pytest.approx(120.0)


def test_bad_input_is_refused_with_its_figures() -> None:
    with pytest.raises(ValueError, match="0 years"):
        Fund.level(0.0, 0.02, [0.0])
    fund = Fund.level(0.0, 0.02, np.arange(3))
    with pytest.raises(ValueError, match=r"shortfall limit is 1\.2"):
        contribution_for(fund, np.zeros((2, 2)), 1.2)
    with pytest.raises(ValueError, match="cover 3 periods"):
        balances(fund, [0.0, 0.0], np.zeros((2, 3)))
    with pytest.raises(ValueError, match="before any contribution"):
        least_contributions(fund, np.array([[10.0, 0.0]]), pattern=[0.0, 1.0])
    with pytest.raises(ValueError, match="useful lives above 0"):
        fully_funded_balance(100.0, 1.0, 0.0)
