"""Age replacement against other people's arithmetic.

Table: T*/scale, C* scale/cp and the run-to-failure cost for Weibull lives (scale 1, cp 1), solved independently
from the condition h(T) int_0^T R - F(T) = cp/(cf - cp) of Barlow and Proschan, Mathematical Theory of Reliability,
1965, ch. 4 (the book's condition from memory; the figures computed by quadrature and root finding in another
program, not by this one).  The library `reliability` (0.9.0, LGPL) finds the optimum on a grid of times.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from forecasting.policy import best_age, cost_rate, long_run_cost

TABLE = {
    (1.5, 2): (2.17464, 2.2120, 2.2155), (1.5, 3): (1.15708, 3.2270, 3.3232),
    (1.5, 5): (0.67549, 4.9313, 5.5387), (1.5, 10): (0.37814, 8.3016, 11.0773),
    (2, 2): (1.09080, 2.1816, 2.2568), (2, 3): (0.73791, 2.9517, 3.3851),
    (2, 5): (0.51066, 4.0852, 5.6419), (2, 10): (0.33645, 6.0561, 11.2838),
    (2.5, 2): (0.88360, 2.0765, 2.2541), (2.5, 3): (0.65686, 2.6618, 3.3812),
    (2.5, 5): (0.49305, 3.4620, 5.6353), (2.5, 10): (0.35457, 4.7506, 11.2706),
    (3, 2): (0.81034, 1.9700, 2.2397), (3, 3): (0.63655, 2.4312, 3.3595),
    (3, 5): (0.50261, 3.0314, 5.5992), (3, 10): (0.38246, 3.9494, 11.1985),
    (3.2, 2): (0.79485, 1.9310, 2.2330), (3.2, 3): (0.63472, 2.3543, 3.3495),
    (3.2, 5): (0.50896, 2.8968, 5.5825), (3.2, 10): (0.39410, 3.7130, 11.1650),
    (4, 2): (0.76611, 1.7986, 2.2065), (4, 3): (0.64159, 2.1129, 3.3098),
    (4, 5): (0.53840, 2.4971, 5.5163), (4, 10): (0.43910, 3.0478, 11.0326),
    (5, 2): (0.76098, 1.6767, 2.1783), (5, 3): (0.66112, 1.9104, 3.2674),
    (5, 5): (0.57495, 2.1854, 5.4456), (5, 10): (0.48859, 2.5643, 10.8912),
}  # fmt: skip


@pytest.mark.parametrize(("case", "expected"), TABLE.items())
def test_best_age_of_the_table(case: tuple[float, float], expected: tuple[float, float, float]) -> None:
    shape, ratio = case
    found = best_age(shape, 1.0, 1.0, ratio)
    assert found.age_years[0] == pytest.approx(expected[0], abs=1e-5)
    assert found.cost_a_year[0] == pytest.approx(expected[1], abs=1e-4)
    assert found.run_to_failure_a_year[0] == pytest.approx(expected[2], abs=1e-4)


@pytest.mark.parametrize(
    ("shape", "scale", "age"), [(2.5, 1000.0, 493.0), (3.2, 14.0, 9.0), (1.3, 11.0, 30.0)]
)
def test_cost_rate_is_the_integral_of_the_book(shape: float, scale: float, age: float) -> None:
    lived = quad(lambda u: np.exp(-((u / scale) ** shape)), 0, age)[0]
    survival = np.exp(-((age / scale) ** shape))
    expected = (survival + 5 * (1 - survival)) / lived
    assert cost_rate(age, shape, scale, 1.0, 5.0) == pytest.approx(expected, rel=1e-9)


def test_best_age_agrees_with_the_reliability_library() -> None:
    import matplotlib as mpl

    mpl.use("Agg")
    from reliability.Repairable_systems import optimal_replacement_time

    theirs = optimal_replacement_time(
        cost_PM=1, cost_CM=5, weibull_alpha=1000, weibull_beta=2.5, q=0, print_results=False,
        show_time_plot=False, show_ratio_plot=False,
    )  # fmt: skip
    ours = best_age(2.5, 1000.0, 1.0, 5.0)
    assert ours.age_years[0] == pytest.approx(float(theirs.ORT), rel=5e-4)
    assert ours.cost_a_year[0] == pytest.approx(float(theirs.min_cost), rel=5e-4)
    assert ours.age_years[0] == pytest.approx(493.047, abs=5e-4)
    assert ours.cost_a_year[0] == pytest.approx(0.003462043, abs=1e-9)


def test_the_long_run_cost_by_whole_years_comes_close_to_the_exact_one() -> None:
    years = np.arange(61)
    survival = np.exp(-((years / 14.0) ** 3.2))[None, :]
    cost, age = long_run_cost(survival, np.array([1000.0]), np.array([3000.0]))
    exact = best_age(3.2, 14.0, 1000.0, 3000.0)
    assert cost[0] == pytest.approx(exact.cost_a_year[0], rel=2e-3)
    assert abs(age[0] - exact.age_years[0]) <= 1
