"""What was priced for what is under contract now, held against hand-worked stretches and known laws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forecasting.contract import cost_paths
from forecasting.contract_futures import Laws
from forecasting.contract_stretches import (
    Newcomers,
    Spans,
    Timeline,
    in_force,
    newcomers,
    share_below,
    timelines,
    with_newcomers,
)
from tests.forecasting.test_contract import TWO, care_of, clauses_of, futures_of, rates_of

CALL = 100 + 70  # an hour and the way
REPAIR = 2 * 100 + 150 + 70
REPLACEMENT = 2000


def spans_of(*rows: tuple[int, float, float, bool]) -> Spans:
    heater, since, until, replaced = zip(*rows, strict=True)
    return Spans(np.array(heater), np.array(since), np.array(until), np.array(replaced))


def happened(*rows: tuple[int, int, float]) -> Timeline:
    """Rows of (path, heater, moment)."""
    columns = list(zip(*rows, strict=True)) or [(), (), ()]
    return Timeline(*(np.array(c, dtype=t) for c, t in zip(columns, (int, int, float), strict=True)))


def test_each_heater_counts_from_the_day_it_came_to_the_day_it_left() -> None:
    """Heater 0 leaves after half a year; heater 1 stays. On path 0 heater 0 fails before it left, on path 1 after;
    on path 1 heater 1 is repaired in its second year, of which a quarter has passed."""
    failures = happened((0, 0, 0.4), (1, 0, 0.6))
    repairs = happened((0, 1, 1.3), (1, 1, 1.2))
    now = spans_of((0, 0.0, 0.5, True), (1, 0.0, 1.25, True))
    found = in_force(TWO, (failures, repairs), care_of(2), rates_of(2), clauses_of(2), now)
    assert found.unplanned.tolist() == [CALL + REPLACEMENT, REPAIR]
    # Half a year both share the trip of their building (2 x 110 + 70), then three quarters heater 1 has it alone.
    assert found.planned == pytest.approx(0.5 * 290 + 0.75 * 180)
    assert found.by_heater == pytest.approx(
        [0.5 * 145 + (CALL + REPLACEMENT) / 2, 0.5 * 145 + 0.75 * 180 + REPAIR / 2]
    )


def test_a_heater_taken_out_and_in_again_and_one_without_replacement() -> None:
    failures = happened((0, 0, 0.2), (0, 0, 0.5), (1, 0, 0.9))
    now = spans_of((0, 0.0, 0.3, False), (0, 0.8, 1.0, False))
    found = in_force(TWO, (failures, happened()), care_of(2), rates_of(2), clauses_of(2), now)
    assert found.unplanned.tolist() == [CALL, CALL]


def test_without_changes_the_whole_term_is_what_was_priced() -> None:
    generator = np.random.default_rng(3)
    rows = [(r, t, i) for r in range(200) for t in range(2) for i in range(2) if generator.random() < 0.3]
    futures, care = futures_of(2, 200, 2, rows[::2], rows[1::2]), care_of(2)
    rates = rates_of(2, growth_mean=0.04, repair_spread=0.6)
    clauses = clauses_of(2, after_hours_share=0.3, limit_a_year=2500.0)
    costs = cost_paths(futures, care, rates, clauses)
    every = spans_of((0, 0.0, 2.0, True), (1, 0.0, 2.0, True))
    found = in_force(futures, timelines(futures), care, rates, clauses, every)
    assert found.unplanned == pytest.approx(costs.unplanned.sum(axis=1))
    assert found.unplanned.mean() + found.planned == pytest.approx(costs.total.mean())
    assert found.by_heater.sum() == pytest.approx(costs.total.mean())


def test_half_a_year_has_the_spread_of_half_a_year() -> None:
    """Poisson: a rate of one a year leaves mean and variance of one half after half a year (elementary)."""
    generator = np.random.default_rng(4)
    paths = 6000
    counts = generator.poisson(1.0, (paths, 2))
    rows = [(r, t, 0) for r in range(paths) for t in range(2) for _ in range(counts[r, t])]
    futures = futures_of(1, paths, 2, [], rows)
    half = spans_of((0, 0.0, 0.5, True))
    found = in_force(futures, timelines(futures), care_of(1), rates_of(1), clauses_of(1), half)
    jobs = found.unplanned / REPAIR
    assert jobs.mean() == pytest.approx(0.5, abs=5 * np.sqrt(0.5 / paths))
    assert jobs.var() == pytest.approx(0.5, rel=0.12)


def laws_of(paths: int, life_shape: float, repair_shape: float) -> Laws:
    one = np.ones((paths, 1))
    return Laws(("electric_storage",), one * life_shape, one * 10.0, one * 1.5, one * repair_shape, 0.4)


def test_newcomers_fail_and_are_repaired_by_their_law_at_their_age() -> None:
    """Exponential lives: a failure each ten years, renewed at once. Weibull ones: S(a + h) / S(a) from the age they
    came with. Repairs: m ((b / 10)^k - (a / 10)^k) over the years from a to b (both elementary)."""
    paths = 5000
    who = Newcomers(np.array([7]), np.array([0]), np.array([8.0]), np.array([1.0]))
    failures, repairs = newcomers(laws_of(paths, 1.0, 1.0), who, 5, 1)
    assert len(failures.path) / paths == pytest.approx(0.4, abs=0.045)
    assert len(repairs.path) / paths == pytest.approx(0.6, abs=0.06)
    assert (failures.moment >= 1).all()
    assert (repairs.moment < 5).all()
    failures, _ = newcomers(laws_of(paths, 3.0, 1.4), who, 5, 1)
    first = np.unique(failures.path).size / paths
    assert first == pytest.approx(1 - np.exp(0.8**3 - 1.2**3), abs=0.035)
    lasting = replace(laws_of(paths, 3.0, 1.4), life_scale=np.full((paths, 1), 1e6))
    _, repairs = newcomers(lasting, who, 5, 1)
    assert len(repairs.path) / paths == pytest.approx(1.5 * (1.2**1.4 - 0.8**1.4), abs=0.09)


def test_a_newcomer_is_priced_beside_those_of_the_survey() -> None:
    wide = replace(TWO, laws=laws_of(2, 1.0, 1.0))
    who = Newcomers(np.array([77]), np.array([0]), np.array([0.0]), np.array([0.5]))
    futures, (failures, _) = with_newcomers(wide, who, seed=1)
    assert futures.heater_ids.tolist() == [1, 2, 77]
    assert failures.heater.min() == 0
    with pytest.raises(ValueError, match="newcomers"):
        with_newcomers(TWO, who, seed=1)
    assert with_newcomers(TWO, Newcomers(*(np.zeros(0, dtype=int) for _ in range(4))), 1)[0] is TWO


def test_where_the_real_cost_stands_in_the_priced_one() -> None:
    paths = np.array([100.0, 200.0, 300.0, 400.0])
    assert share_below(paths, 250) == 0.5
    assert share_below(paths, 200) == 0.375
    assert share_below(paths, 1000) == 1.0
    assert share_below(np.zeros(4), 0.0) == 0.5
