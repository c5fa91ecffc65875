"""Renewal, Poisson-binomial and score values held against formulas and published examples."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm, poisson

from forecasting.outlook import failure_probabilities, heater_outlooks
from forecasting.renewal import Prices, expected_renewals, poisson_binomial, replacement_streams
from forecasting.scores import crps_of_counts, crps_of_paths, interval_score
from tests.forecasting.made_up import invented_posterior, invented_states


def test_renewal_function_of_gamma_lives() -> None:
    """Closed form for Gamma(2, 1) lives: M(t) = t/2 - 1/4 + exp(-2t)/4 (textbook renewal theory, e.g.
    Barlow and Proschan 1965, Mathematical Theory of Reliability; recomputed by hand)."""
    grid = np.linspace(0, 3, 1501)
    found = expected_renewals(1 - (1 + grid) * np.exp(-grid))
    assert found[-1] == pytest.approx(3 / 2 - 1 / 4 + np.exp(-6) / 4, abs=2e-6)
    assert np.allclose(found, grid / 2 - 0.25 + np.exp(-2 * grid) / 4, atol=3e-6)


# Weibull shape 3.2, scale 14: computed with an independent fine-grid solution of the renewal equation and
# closed forms; not from a published table.
WEIBULL_RENEWALS = {10: 0.292966, 20: 1.170345, 30: 1.952104}


def test_renewal_function_of_weibull_lives() -> None:
    grid = np.linspace(0, 30, 1501)
    found = expected_renewals(1 - np.exp(-((grid / 14) ** 3.2)))
    for year, expected in WEIBULL_RENEWALS.items():
        assert found[year * 50] == pytest.approx(expected, abs=2e-5)


def test_streams_renew_as_the_renewal_equation_says() -> None:
    posterior = invented_posterior(draws=1, spread=0.0, shape=3.2, scale=14.0)
    states = invented_states(300, 30, plain=True)
    states = replace(states, age_nodes=np.zeros_like(states.age_nodes))
    prices = Prices(np.ones(2), np.ones(2))
    for exact, tolerance in ((True, 0.012), (False, 0.012)):
        streams = replacement_streams(
            posterior, states, np.arange(31.0), np.zeros(300, int), 1, prices, np.array([0, 1]),
            paths=200, seed=9, exact=exact,
        )  # fmt: skip
        running = streams.cumulative("failures").mean(axis=0) / 300
        for year, expected in WEIBULL_RENEWALS.items():
            assert running[year - 1] == pytest.approx(expected, rel=tolerance), (exact, year)


def test_chance_given_the_age_reached() -> None:
    """Weibull(3.2, 14) at age 10: S(11|10) = .8855877, P(fail by 15 | 10) = .5959963, median .. = closed forms
    exp((10/14)^3.2 - (t/14)^3.2), recomputed here from the formula."""
    posterior = invented_posterior(draws=1, spread=0.0, shape=3.2, scale=14.0)
    states = invented_states(1, 6, plain=True)
    states = replace(states, age_nodes=np.full_like(states.age_nodes, 10.0))
    found = failure_probabilities(posterior, states, (1, 5))[0, 0]
    assert found == pytest.approx([1 - 0.8855877, 0.5959963], abs=2e-6)
    new = replace(states, age_nodes=np.zeros_like(states.age_nodes))
    median = heater_outlooks(posterior, new)["remaining_life_median_years"][0]
    assert median == pytest.approx(12.484927, abs=0.03)  # straight log survival within a year


def test_poisson_binomial_of_five_trials() -> None:
    """P(2 of 5) = .3167 for p = .5 .3 .7 .3 .9: worked answer at math.stackexchange.com/questions/255896."""
    assert poisson_binomial(np.array([0.5, 0.3, 0.7, 0.3, 0.9]))[2] == pytest.approx(0.3167, abs=5e-5)


def test_poisson_binomial_worked_by_hand() -> None:
    """p = .1 .2 .3: .9 x .8 x .7 = .504 and so on, by hand; 25 heaters by direct enumeration elsewhere."""
    assert poisson_binomial(np.array([0.1, 0.2, 0.3])) == pytest.approx([0.504, 0.398, 0.092, 0.006])
    many = poisson_binomial(np.repeat([0.02, 0.04, 0.06, 0.08, 0.10], 5)).cumsum()
    assert many[:5] == pytest.approx([0.210512, 0.551513, 0.813946, 0.941627, 0.985710], abs=1e-6)


def test_ranked_probability_scores() -> None:
    """Normal: closed form y(2 Phi(y) - 1) + 2 phi(y) - 1/sqrt(pi) (Gneiting and Raftery 2007, JASA 102,
    eq. 21); Poisson(5) at 7 by summing the definition."""
    paths = norm.ppf((np.arange(200_000) + 0.5) / 200_000)
    for y, expected in ((0.0, 0.2336950), (1.0, 0.6024414)):
        assert y * (2 * norm.cdf(y) - 1) + 2 * norm.pdf(y) - 1 / np.sqrt(np.pi) == pytest.approx(
            expected, abs=1e-7
        )
        assert crps_of_paths(paths, y) == pytest.approx(expected, abs=1e-5)
    distribution = poisson.pmf(np.arange(80), 5)
    assert crps_of_counts(distribution, 7) == pytest.approx(1.2654818, abs=1e-6)
    counts = poisson.ppf((np.arange(200_000) + 0.5) / 200_000, 5)
    assert crps_of_paths(counts, 7) == pytest.approx(1.2654818, abs=1e-3)


def test_interval_score() -> None:
    """90 % interval [2, 9], observed 11: 7 + (2 / 0.1) x 2 = 47, from the definition."""
    assert interval_score(np.array(2.0), np.array(9.0), np.array(11.0), 0.9) == pytest.approx(47)
