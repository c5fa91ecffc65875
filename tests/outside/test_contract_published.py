"""Repairs and credibility against published worked examples; the source stands beside each number."""

from __future__ import annotations

import numpy as np
import pytest

from forecasting.credibility import buhlmann_straub, credibility_factor, weighted_experience
from forecasting.repairs import (
    REFERENCE_AGE,
    RepairHistory,
    RepairPrior,
    crow_estimates,
    fit_repairs,
)

# NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.2 (Power law model), case study 1 of 8.2.2.3: ten failures
# in a reliability improvement test of 1500 hours. The handbook's R output prints growth slope 0.516494,
# a 0.2913003, b 0.483506 and 310.234 hours between failures at the end of the test.
NIST_HOURS = (5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478)
NIST_WATCH = 1500.0

# Hachemeister 1975: average claim and number of claims, five states by twelve quarters, as the data set of the
# R package actuar holds them.
RATIOS = np.array(
    [
        [1738, 1642, 1794, 2051, 2079, 2234, 2032, 2035, 2115, 2262, 2267, 2517],
        [1364, 1408, 1597, 1444, 1342, 1675, 1470, 1448, 1464, 1831, 1612, 1471],
        [1759, 1685, 1479, 1763, 1674, 2103, 1502, 1622, 1828, 2155, 2233, 2059],
        [1223, 1146, 1010, 1257, 1426, 1532, 1953, 1123, 1343, 1243, 1762, 1306],
        [1456, 1499, 1609, 1741, 1482, 1572, 1606, 1735, 1607, 1573, 1613, 1690],
    ],
    dtype=float,
)
VOLUMES = np.array(
    [
        [7861, 9251, 8706, 8575, 7917, 8263, 9456, 8003, 7365, 7832, 7849, 9077],
        [1622, 1742, 1523, 1515, 1622, 1602, 1964, 1515, 1527, 1748, 1654, 1861],
        [1147, 1357, 1329, 1204, 998, 1077, 1277, 1218, 896, 1003, 1108, 1121],
        [407, 396, 348, 341, 315, 328, 352, 331, 287, 384, 321, 342],
        [2902, 3172, 3046, 3068, 2693, 2910, 3275, 2697, 2663, 3017, 3242, 3425],
    ],
    dtype=float,
)


def test_power_law_estimates_equal_the_handbooks() -> None:
    found = crow_estimates(NIST_HOURS, NIST_WATCH)
    assert found.shape_unbiased == pytest.approx(0.483506, abs=5e-7)
    assert 1 - found.shape_unbiased == pytest.approx(0.516494, abs=5e-7)
    assert found.scale == pytest.approx(0.2913003, abs=5e-8)
    assert found.events_between_at_end == pytest.approx(310.234, abs=5e-4)


def test_the_law_that_prices_repairs_finds_the_handbooks_system_when_the_prior_says_little() -> None:
    """The posterior with a faint prior centres on the estimates: 1500 hours stand for the first ten years."""
    years = np.array(NIST_HOURS) / NIST_WATCH * REFERENCE_AGE
    history = RepairHistory(
        np.array([1]),
        np.array([0]),
        np.array([0.0]),
        np.array([REFERENCE_AGE]),
        np.zeros(10, dtype=np.int64),
        years,
    )
    faint = RepairPrior(np.array([10.0]), np.array([1e-6]), np.array([0.5]), np.array([3.0]), 1e-9)
    law = fit_repairs(history, ("system",), faint, draws=40_000, seed=3)
    # Given the shape, repairs by the end of the watch are Gamma with mean N = 10; the shape is Gamma too.
    assert law.by_age_10.mean() == pytest.approx(10, rel=0.02)
    assert law.shape.mean() == pytest.approx(10 / np.log(NIST_WATCH / np.array(NIST_HOURS)).sum(), rel=0.02)


def test_counting_with_a_prior_equals_the_poisson_gamma_example() -> None:
    """Norberg 1979 in Dutang, Goulet, Milhaud and Pigeon, 'Credibility theory features of actuar', section 6:
    Poisson counts 5, 3, 0, 1, 1 and a Gamma(3, 3) mean give 1.625 next."""
    counts = (5, 3, 0, 1, 1)
    history = RepairHistory(
        np.arange(5),
        np.zeros(5, dtype=np.int64),
        np.zeros(5),
        np.full(5, REFERENCE_AGE),
        np.repeat(np.arange(5), counts),
        np.full(10, REFERENCE_AGE),
    )
    prior = RepairPrior(np.array([1.0]), np.array([3.0]), np.array([1.0]), np.array([1e-9]), 1e-9)
    law = fit_repairs(history, ("system",), prior, draws=200_000, seed=1)
    assert law.by_age_10.mean() == pytest.approx(1.625, abs=0.005)


def test_buhlmann_straub_equals_the_published_hachemeister_example() -> None:
    """Dutang, Goulet, Milhaud and Pigeon, section 4: collective 1684, between 89639, within 139120026."""
    found = buhlmann_straub(RATIOS, VOLUMES)
    assert found.collective == pytest.approx(1684, abs=0.5)
    assert found.between == pytest.approx(89_639, abs=0.5)
    assert found.within == pytest.approx(139_120_026, abs=0.5)


def test_buhlmann_equals_the_published_hachemeister_example() -> None:
    """The same without volumes: collective 1671, between 72310, within 46040."""
    found = buhlmann_straub(RATIOS, np.ones_like(RATIOS))
    assert found.collective == pytest.approx(1671, abs=0.5)
    assert found.between == pytest.approx(72_310, abs=0.5)
    assert found.within == pytest.approx(46_040, abs=0.5)


def test_the_weight_of_experience_by_hand() -> None:
    """z = w / (w + s2 / a): 5 years at s2 / a = 5 weigh one half (common textbook arithmetic)."""
    assert credibility_factor(5, 25_000, 5_000) == 0.5
    assert credibility_factor(0, 1, 1) == 0
    assert weighted_experience(300, 100, 0.5) == 200
