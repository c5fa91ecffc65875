"""A contract's cost and price: by hand where the happenings are given, and as laws where they are drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.contract import (
    LEVELS,
    Care,
    Clauses,
    Rates,
    cost_paths,
    expectations,
    heater_prices,
    heater_shares,
    quote,
    revenue_factor,
    trips_a_year,
)
from forecasting.contract_futures import Futures


def futures_of(
    count: int,
    paths: int,
    years: int,
    failures: list[tuple[int, int, int]],
    repairs: list[tuple[int, int, int]],
) -> Futures:
    """Happenings as (path, year, heater)."""

    def numbers(rows: list[tuple[int, int, int]]) -> np.ndarray:
        return np.sort(np.array([(r * years + t) * count + i for r, t, i in rows], dtype=np.int64))

    return Futures(
        np.arange(1, count + 1),
        paths,
        years,
        numbers(failures),
        numbers(repairs),
        np.zeros(paths),
        np.full((paths, years), 0.5),
        np.zeros(count),
    )


def care_of(count: int, building: list[int] | None = None) -> Care:
    return Care(
        np.array(building or [1] * count), np.full(count, 60.0), np.full(count, 10.0), np.full(count, 1.0)
    )


def rates_of(count: int, **changes: object) -> Rates:
    known = {
        "labour_per_hour": 100.0,
        "after_hours_times": 1.5,
        "trip": 20.0,
        "trip_hours": 0.5,
        "repair_hours": np.full(count, 2.0),
        "repair_materials": np.full(count, 150.0),
        "repair_spread": 0.0,
        "call_hours": 1.0,
        "replacement": np.full(count, 2000.0),
        "replacement_hours": np.full(count, 6.0),
        "growth_mean": 0.0,
        "growth_sd": 0.0,
    }
    return Rates(**(known | changes))  # type: ignore[arg-type]


def clauses_of(count: int, **changes: object) -> Clauses:
    every = np.ones(count, dtype=bool)
    known = {
        "level": "replacement",
        "years": 2,
        "after_hours_share": 0.0,
        "price_growth": 0.0,
        "enrolled": every,
        "replaced": every,
    }
    return Clauses(**(known | changes))  # type: ignore[arg-type]


TWO = futures_of(2, 2, 2, [(0, 1, 0)], [(0, 0, 1), (1, 1, 1), (1, 1, 1)])


def test_two_heaters_priced_by_hand() -> None:
    """Care: 2 x (1 h at 100 + 10) + one trip (20 + 0.5 h) = 290 a year. A repair: 2 h + 150, and a trip 70.
    A failure: a call of 1 h, a trip and 2000."""
    costs = cost_paths(TWO, care_of(2), rates_of(2), clauses_of(2))
    assert costs.yearly.tolist() == [[290 + 350 + 70, 290 + 100 + 70 + 2000], [290, 290 + 2 * (350 + 70)]]
    by_level = [
        cost_paths(TWO, care_of(2), rates_of(2), clauses_of(2, level=level)).total.tolist()
        for level in LEVELS
    ]
    assert by_level == [[580, 580], [580 + 420 + 170, 580 + 840], [580 + 420 + 170 + 2000, 580 + 840]]


def test_after_hours_a_limit_and_growth_by_hand() -> None:
    late = cost_paths(TWO, care_of(2), rates_of(2), clauses_of(2, after_hours_share=1.0))
    # Path 0: a repair of 2.5 h with the way, a failure of 1.5 h and 6 h of replacing, all at half as much again.
    assert late.parts["after hours"].tolist() == [[125, 75], [0, 250]]
    assert late.parts["replacement"].tolist() == [[0, 2300], [0, 0]]
    capped = cost_paths(TWO, care_of(2), rates_of(2), clauses_of(2, limit_a_year=500.0))
    assert capped.parts["replacement"].tolist() == [[0, 500], [0, 0]]
    grown = cost_paths(TWO, care_of(2), rates_of(2, growth_mean=0.1), clauses_of(2, level="care"))
    assert grown.yearly == pytest.approx(np.array([[290, 319], [290, 319]]))
    # The limit is written in money of the day: it does not grow with the costs.
    dear = cost_paths(TWO, care_of(2), rates_of(2, growth_mean=0.1), clauses_of(2, limit_a_year=500.0))
    assert dear.parts["replacement"][0, 1] == pytest.approx(500)


def test_a_heater_left_out_or_taken_without_replacement_costs_what_is_left() -> None:
    without = clauses_of(2, enrolled=np.array([False, True]), replaced=np.array([False, True]))
    assert cost_paths(TWO, care_of(2), rates_of(2), without).total.tolist() == [360 + 420, 360 + 840]
    kept = clauses_of(2, replaced=np.array([False, True]))
    assert cost_paths(TWO, care_of(2), rates_of(2), kept).total.tolist() == [580 + 420 + 170, 580 + 840]


def test_trips_are_shared_by_a_building_and_grow_with_the_work() -> None:
    care = Care(np.array([1, 1, 2]), np.array([60.0, 60.0, 900.0]), np.zeros(3), np.array([1.0, 2.0, 1.0]))
    assert trips_a_year(care, clauses_of(3), rates_of(3)).tolist() == [1.0, 1.0, 3.0]


def test_the_price_keeps_the_margin_and_the_chance_of_loss() -> None:
    costs = cost_paths(TWO, care_of(2), rates_of(2), clauses_of(2, price_growth=0.5))
    assert revenue_factor(clauses_of(2, price_growth=0.5)) == 2.5
    asked = quote(costs, clauses_of(2, price_growth=0.5), 0.2, 0.5)
    mean = (3170 + 1420) / 2
    assert asked.expected_cost == mean
    assert asked.break_even == pytest.approx(mean / 2.5)
    assert asked.for_margin == pytest.approx(mean / 0.8 / 2.5)
    assert asked.chance_of_loss == 0.5
    safe = quote(costs, clauses_of(2), 0.0, 0.01)
    assert safe.for_chance == pytest.approx((1420 + 0.99 * 1750) / 2)
    given = quote(costs, clauses_of(2), 0.0, 0.5, price=100.0)
    assert given.chance_of_loss == 1.0


@pytest.mark.parametrize(
    "change",
    [{"enrolled": np.zeros(2, dtype=bool)}, {"years": 3}, {"after_hours_share": 1.5}, {"limit_a_year": -1.0}],
)
def test_a_contract_that_cannot_be_is_refused(change: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"scope|years|share"):
        cost_paths(TWO, care_of(2), rates_of(2), clauses_of(2, **change))


happening = st.tuples(st.integers(0, 29), st.integers(0, 1), st.integers(0, 4))
drawn = st.builds(
    lambda failures, repairs: futures_of(5, 30, 2, failures, repairs),
    st.lists(happening, max_size=40),
    st.lists(happening, max_size=80),
)


@settings(max_examples=40, deadline=None)
@given(
    drawn,
    st.floats(0, 1),
    st.sampled_from(LEVELS),
    st.floats(0, 8000),
    st.sets(st.integers(0, 4), min_size=1),
)
def test_the_shares_of_the_heaters_sum_to_the_contract(
    futures: Futures, share: float, level: str, limit: float, chosen: set[int]
) -> None:
    mask = np.isin(np.arange(5), list(chosen))
    clauses = clauses_of(
        5, level=level, after_hours_share=share, limit_a_year=limit, enrolled=mask, replaced=mask
    )
    rates, care = rates_of(5, growth_mean=0.04), care_of(5, [1, 1, 1, 2, 2])
    costs = cost_paths(futures, care, rates, clauses)
    expected, risk = heater_shares(futures, care, rates, clauses, costs)
    assert expected.sum() == pytest.approx(costs.total.mean())
    assert risk.sum() == pytest.approx(1)
    assert (expected[~mask] == 0).all()
    asked = quote(costs, clauses, 0.15, 0.1)
    assert heater_prices(futures, care, rates, clauses, costs, asked).sum() == pytest.approx(asked.price)
    parts = expectations(futures, care, rates, clauses, costs).by_part
    assert sum(parts.values()) == pytest.approx(costs.total.mean())


@settings(max_examples=40, deadline=None)
@given(drawn, st.floats(0, 1), st.floats(0, 5000))
def test_more_scope_never_costs_less_on_any_path(futures: Futures, share: float, limit: float) -> None:
    care, rates = care_of(5), rates_of(5, repair_spread=0.7)
    less = None
    for level in LEVELS:
        for cap in (limit, np.inf):
            clauses = clauses_of(5, level=level, after_hours_share=share, limit_a_year=cap)
            total = cost_paths(futures, care, rates, clauses).total
            if less is not None:
                assert (total >= less - 1e-9).all()
            less = total


@settings(max_examples=40, deadline=None)
@given(drawn, st.floats(0, 0.6), st.floats(0.01, 0.5))
def test_the_price_quoted_never_loses_more_often_than_wished(
    futures: Futures, margin: float, chance: float
) -> None:
    clauses = clauses_of(5)
    costs = cost_paths(futures, care_of(5), rates_of(5), clauses)
    asked = quote(costs, clauses, margin, chance)
    assert asked.chance_of_loss <= chance + 1 / futures.paths
    assert asked.revenue * (1 - margin) >= asked.expected_cost * (1 - 1e-12)
    assert replace(asked, price=0).break_even <= asked.price * (1 + 1e-12)
