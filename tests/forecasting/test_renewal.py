"""Replacement streams: sums hold path by path, small buildings are exact, plans are compared on one chance."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, product
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from forecasting.cells import draw_failures
from forecasting.outlook import failure_probabilities
from forecasting.renewal import (
    Prices,
    Streams,
    failure_count_distribution,
    poisson_binomial,
    replacement_streams,
)
from tests.forecasting.made_up import invented_posterior, invented_states

PRICES = Prices(np.array([1500.0, 1400.0]), np.array([2600.0, 2400.0]))
SAME_KIND = np.array([0, 1])


def streams(count: int = 40, years: int = 10, paths: int = 400, **changes: Any) -> Streams:
    posterior = changes.pop("posterior", invented_posterior(draws=200))
    states = changes.pop("states", invented_states(count, years))
    arguments: dict[str, Any] = {
        "period_edges_years": np.arange(years + 1.0),
        "groups": states.property_id,
        "n_groups": 4,
        "prices": PRICES,
        "successor_kind": SAME_KIND,
        "paths": paths,
        "seed": 3,
    }
    return replacement_streams(posterior, states, **(arguments | changes))


@pytest.mark.parametrize("exact", [True, False])
def test_groups_add_up_to_the_total_on_every_path(exact: bool) -> None:
    found = streams(exact=exact, planned_age_years=15.0)
    for measure in ("failures", "planned", "replacements", "cost"):
        whole = found.values(measure)
        parts = sum(found.values(measure, group) for group in range(4))
        assert np.allclose(whole, parts)
        assert np.allclose(found.cumulative(measure)[:, -1], found.total(measure))


@pytest.mark.parametrize("exact", [True, False])
def test_money_is_counts_at_their_prices(exact: bool) -> None:
    flat = Prices(np.full(2, 1000.0), np.full(2, 3000.0), growth_mean=0.05)
    found = streams(exact=exact, prices=flat, planned_age_years=12.0)
    base = 1000.0 * found.planned + 3000.0 * found.failures
    assert np.allclose(found.base_cost, base, rtol=1e-4)
    level = 1.05 ** (np.arange(10) + 0.5)
    assert np.allclose(found.cost, base * level[:, None], rtol=1e-4)


@pytest.mark.parametrize("exact", [True, False])
def test_same_seed_same_numbers_other_seed_others(exact: bool) -> None:
    first, second = streams(exact=exact), streams(exact=exact)
    assert np.array_equal(first.cost, second.cost)
    assert not np.array_equal(first.cost, streams(exact=exact, seed=4).cost)


def test_both_engines_agree_within_their_noise() -> None:
    posterior, states = invented_posterior(draws=300), invented_states(800, 20)
    options: dict[str, Any] = {"posterior": posterior, "states": states, "years": 20, "paths": 300}
    one, other = streams(exact=True, **options), streams(exact=False, **options)
    yearly = one.values("failures").mean(axis=0), other.values("failures").mean(axis=0)
    assert np.allclose(yearly[0], yearly[1], rtol=0.04)
    assert other.total("failures").mean() == pytest.approx(one.total("failures").mean(), rel=0.01)
    assert other.total("failures").std() == pytest.approx(one.total("failures").std(), rel=0.1)
    assert other.expected_base_cost.sum(axis=(1, 2)).mean() == pytest.approx(
        one.base_cost[one.expected_paths].sum(axis=(1, 2)).mean(), rel=0.01
    )


def test_a_building_of_five_has_the_distribution_that_enumeration_gives() -> None:
    posterior, states = invented_posterior(draws=20), invented_states(5, 3)
    chances = failure_probabilities(posterior, states, (3,))[:, :, 0]
    expected = np.zeros(6)
    for fates in product((0, 1), repeat=5):
        each = np.where(np.array(fates)[:, None] == 1, chances, 1 - chances)
        expected[sum(fates)] += each.prod(axis=0).mean()
    found = failure_count_distribution(posterior, states, 3)
    assert np.allclose(found, expected, atol=1e-12)
    assert found.sum() == pytest.approx(1)


def test_paths_of_a_building_of_five_follow_the_exact_distribution() -> None:
    """Over a horizon in which nobody's successor can fail (it would have to fail young)."""
    posterior = invented_posterior(draws=40, shape=8.0, scale=16.0)
    states = invented_states(5, 4)
    exact = failure_count_distribution(posterior, states, 4)
    found = streams(posterior=posterior, states=states, years=4, paths=20_000, exact=True)
    counts = np.bincount(found.total("failures").astype(int), minlength=6) / 20_000
    assert np.allclose(counts[:6], exact, atol=0.012)


def test_successors_fail_in_turn() -> None:
    """One new heater with shape 2 renewed for ever: M(t) by the renewal equation, solved on a fine grid."""
    posterior = invented_posterior(draws=1, spread=0.0, shape=2.0, scale=5.0)
    states = invented_states(200, 20, plain=True)
    states = replace(states, age_nodes=np.zeros_like(states.age_nodes))
    step = 0.01
    grid = np.arange(0, 20 + step / 2, step)
    share = 1 - np.exp(-((grid / 5.0) ** 2))
    lives = np.diff(share)
    renewals = np.zeros(len(grid))
    for i in range(1, len(grid)):
        renewals[i] = share[i] + lives[:i] @ renewals[i - 1 :: -1][:i]
    expected = renewals[(np.arange(1, 21) / step).round().astype(int)]
    for exact, tolerance in ((True, 0.01), (False, 0.03)):
        found = streams(posterior=posterior, states=states, years=20, paths=200, exact=exact)
        running = found.cumulative("failures").mean(axis=0) / 200
        assert np.allclose(running[2:], expected[2:], rtol=tolerance), exact


@pytest.mark.parametrize("exact", [True, False])
def test_planned_removals_come_when_planned_and_spare_failures(exact: bool) -> None:
    states = invented_states(60, 10)
    due = np.where(np.arange(60) % 3 == 0, 2, -1)
    without = streams(states=states, exact=exact)
    found = streams(states=states, exact=exact, planned_period=due)
    assert found.planned[:, [0, 1, *range(3, 10)]].sum() == 0
    assert 0 < found.planned[:, 2].sum(axis=1).max() <= 20
    before_plan = slice(0, 2)
    assert found.failures[:, before_plan].mean() == pytest.approx(
        without.failures[:, before_plan].mean(), rel=0 if exact else 0.05
    )
    by_age = streams(states=states, exact=exact, planned_age_years=8.0)
    assert by_age.total("failures").mean() < without.total("failures").mean()
    assert by_age.total("replacements").mean() > without.total("replacements").mean()


def test_nobody_outlives_the_planned_age() -> None:
    posterior = invented_posterior(draws=1, spread=0.0, shape=3.0, scale=1e6)
    states = invented_states(12, 10, plain=True)
    states = replace(states, age_nodes=np.full_like(states.age_nodes, 3.5))
    for exact in (True, False):
        found = streams(posterior=posterior, states=states, planned_age_years=5.0, paths=3, exact=exact)
        expected = np.zeros(10)
        expected[[1, 6]] = 12  # at 5 years of age, and its successor five years later
        assert np.array_equal(found.values("planned"), np.tile(expected, (3, 1))), exact
        assert found.total("failures").sum() == 0


def test_plans_are_compared_on_the_same_chance() -> None:
    """Heaters left alone fail on the same paths in both plans."""
    states = invented_states(30, 8)
    due = np.full(30, -1)
    due[:10] = 0
    own = np.arange(30)
    one = streams(states=states, years=8, exact=True, groups=own, n_groups=30)
    other = streams(states=states, years=8, exact=True, groups=own, n_groups=30, planned_period=due)
    assert np.array_equal(one.failures[:, :, 10:], other.failures[:, :, 10:])
    assert not np.array_equal(one.failures[:, :, :10], other.failures[:, :, :10])


def test_another_kind_takes_over_at_its_own_price_and_life() -> None:
    posterior = invented_posterior(draws=1, spread=0.0)
    posterior = replace(posterior, log_scale=np.log(np.array([[1.0, 1e5]])))
    states = invented_states(50, 10, plain=True)
    states = replace(states, kind=np.zeros(50, dtype=np.int64))
    prices = Prices(np.array([1.0, 10.0]), np.array([2.0, 20.0]))
    for exact in (True, False):
        found = streams(
            posterior=posterior,
            states=states,
            exact=exact,
            prices=prices,
            successor_kind=np.array([1, 1]),
            paths=20,
        )
        assert (found.total("failures") <= 50).all() and found.total("failures").mean() > 49
        assert np.allclose(found.total("cost"), 20 * found.total("failures"))


@pytest.mark.parametrize("exact", [True, False])
def test_shares_of_the_spread(exact: bool) -> None:
    states = invented_states(300, 10)
    certain = streams(posterior=invented_posterior(draws=1, spread=0.0), states=states, exact=exact)
    parts = certain.shares()
    assert parts.chance > 0.97 and parts.prices == 0
    vague = streams(states=states, exact=exact)
    assert vague.shares().parameters > 0.8
    dear = streams(states=states, exact=exact, prices=replace(PRICES, growth_sd=0.2))
    assert dear.shares().prices > 0.5
    total = dear.shares()
    assert total.parameters + total.chance + total.prices == pytest.approx(1)
    small = vague.shares(group=0)
    assert small.chance > vague.shares().chance


def test_quantiles_are_of_totals_not_totals_of_quantiles() -> None:
    found = streams()
    assert found.quantile(0.9) == pytest.approx(np.quantile(found.cost.sum(axis=(1, 2)), 0.9))
    assert found.quantile(0.9) < found.table()["p90"].sum()
    running = found.table(running=True)
    assert running["p90"].is_monotonic_increasing
    assert running["p90"].iloc[-1] == pytest.approx(found.quantile(0.9))
    assert list(found.group_table()["group"]) == ["group 1", "group 2", "group 3", "group 4"]


def test_a_first_part_period_counts_its_part_only() -> None:
    posterior = invented_posterior(draws=1, spread=0.0)
    states = invented_states(400, 10, plain=True)
    edges = np.r_[0.0, 0.25 + np.arange(10)]
    for exact in (True, False):
        found = streams(posterior=posterior, states=states, period_edges_years=edges, paths=300, exact=exact)
        age = states.age_nodes[:, 0]
        expected = (1 - np.exp((age / 14) ** 3 - ((age + 0.25) / 14) ** 3)).sum()
        assert found.values("failures")[:, 0].mean() == pytest.approx(expected, rel=0.04)


def test_no_heater_no_cost() -> None:
    found = streams(states=invented_states(0, 5), years=5)
    assert found.cost.shape == (400, 5, 4) and found.total().sum() == 0
    assert found.shares().chance == 0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"period_edges_years": [0.0, 2.0, 1.0]}, "period_edges_years"),
        ({"groups": np.full(40, 9)}, "groups must hold 40"),
        ({"successor_kind": np.array([0, 5])}, "successor_kind"),
        ({"planned_age_years": 0.0}, "planned_age_years is 0.0"),
        ({"planned_period": np.full(40, 10)}, "planned_period"),
        ({"prices": Prices(np.ones(3), np.ones(2))}, "prices.planned_cost"),
        ({"paths": 0}, "paths is 0"),
    ],
)
def test_arguments_that_do_not_fit_are_named(change: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        streams(**change)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=12))
def test_counts_of_unlike_chances_are_a_distribution(chances: list[float]) -> None:
    found = poisson_binomial(np.array(chances))
    assert (found >= -1e-15).all()
    assert found.sum() == pytest.approx(1)
    assert found @ np.arange(len(found)) == pytest.approx(sum(chances), abs=1e-9)


@pytest.mark.parametrize(
    ("number", "chance"), [(1, 0.3), (7, 0.05), (30, 0.1), (60, 0.5), (400, 0.08), (9, 0.999)]
)
def test_failures_read_off_a_normal_deviate_are_binomial(number: int, chance: float) -> None:
    size = 200_000
    normal = np.random.default_rng(5).standard_normal(size, dtype=np.float32)
    found = draw_failures(normal, np.full(size, number, np.float32), np.full(size, chance, np.float32))
    assert (found == np.rint(found)).all() and found.min() >= 0 and found.max() <= number
    share = np.bincount(found.astype(int), minlength=number + 1) / size
    assert np.abs(share.cumsum() - binom.cdf(np.arange(number + 1), number, chance)).max() < 0.006
    assert found.mean() == pytest.approx(number * chance, rel=0.01)


def test_small_counts_are_binomial_however_the_chances_lie_in_memory() -> None:
    normal = np.random.default_rng(7).standard_normal((50, 40, 30)).astype(np.float32)
    number = np.ones((40, 50, 30), dtype=np.float32).transpose(1, 0, 2)
    chance = np.full((40, 50, 30), 0.03, dtype=np.float32).transpose(1, 0, 2)
    found = draw_failures(normal, number, chance)
    assert np.array_equal(found, draw_failures(normal, number, np.ascontiguousarray(chance)))
    assert found.mean() == pytest.approx(0.03, abs=4 * (0.03 * 0.97 / found.size) ** 0.5)


def test_both_engines_agree_where_every_heater_is_a_group_of_its_own() -> None:
    posterior, states = invented_posterior(draws=100), invented_states(300, 15)
    options: dict[str, Any] = {"posterior": posterior, "states": states, "years": 15, "paths": 100}
    options |= {"groups": np.arange(300), "n_groups": 300, "period_edges_years": np.arange(0, 15.1, 0.5)}
    one, other = streams(exact=True, **options), streams(exact=False, **options)
    assert other.total("failures").mean() == pytest.approx(one.total("failures").mean(), rel=0.04)


def test_failures_never_fall_when_the_chance_rises() -> None:
    normal = np.random.default_rng(6).standard_normal(3000, dtype=np.float32)
    number = np.full(3000, 20, np.float32)
    counts = [draw_failures(normal, number, np.full(3000, p, np.float32)) for p in np.linspace(0, 0.4, 9)]
    assert all((later >= earlier).all() for earlier, later in pairwise(counts))


@pytest.mark.parametrize("exact", [True, False])
def test_prices_by_period_are_paid_in_their_period(exact: bool) -> None:
    posterior, states = invented_posterior(), invented_states(count=20)
    flat = np.full(20, 1000.0)
    steps = np.column_stack([flat, flat, 2 * flat, 2 * flat])

    def paid(planned: np.ndarray, emergency: np.ndarray) -> np.ndarray:
        streams = replacement_streams(
            posterior, states, np.arange(5.0), np.zeros(20, dtype=np.int64), 1,
            Prices(planned, emergency, by="heater"), np.arange(2), paths=60, seed=4, planned_age_years=9.0,
            exact=exact,
        )  # fmt: skip
        return streams.values("cost")

    plain, stepped = paid(flat, 3 * flat), paid(steps, 3 * steps)
    assert np.allclose(stepped[:, :2], plain[:, :2])
    assert np.allclose(stepped[:, 2:], 2 * plain[:, 2:])
    with pytest.raises(ValueError, match="planned_cost"):
        paid(steps[:, :3], 3 * steps)
