"""Reserve arithmetic against a worked example and a spreadsheet's functions.

Worked example: a component that costs 1200 today, of useful life 12 years and effective age 5, prices growing 3 %,
interest 2 %; figures worked by hand (future cost 1200 x 1.03^7; fully funded 1200 x 5/12; grown and discounted
500 x (1.03/1.02)^7; level year-end payment from nothing).  Definitions: California Civil Code sections 5565, 5570.
Spreadsheet functions: numpy-financial 1.0.0 (pmt, fv), which follow the usual PMT and FV.
"""

from __future__ import annotations

import numpy as np
import numpy_financial as npf
import pytest

from forecasting.reserve import (
    Fund,
    balances,
    contribution_for,
    fully_funded_balance,
    least_contributions,
    percent_funded,
)


def test_worked_example() -> None:
    future = 1200 * 1.03**7
    assert future == pytest.approx(1475.8486, abs=1e-4)
    assert fully_funded_balance(1200, 5, 12) == pytest.approx(500.0)
    assert fully_funded_balance(1200, 5, 12, 0.03, 0.02) == pytest.approx(535.3396, abs=1e-4)
    assert percent_funded(400, 500) == pytest.approx(80.0)
    fund = Fund.level(0.0, 0.02, np.arange(8), timing="end")
    expenses = np.array([[0, 0, 0, 0, 0, 0, future]])
    assert least_contributions(fund, expenses)[0] == pytest.approx(198.5193, abs=1e-4)


@pytest.mark.parametrize("timing", ["start", "end"])
@pytest.mark.parametrize(
    ("rate", "years", "opening"), [(0.02, 7, 0.0), (0.045, 30, 2500.0), (0.0, 10, 100.0)]
)
def test_least_contribution_is_the_spreadsheet_payment(
    timing: str, rate: float, years: int, opening: float
) -> None:
    fund = Fund.level(opening, rate, np.arange(years + 1), timing=timing)  # type: ignore[arg-type]
    expenses = np.zeros((1, years))
    expenses[0, -1] = 20_000.0
    when = "begin" if timing == "start" else "end"
    theirs = npf.pmt(rate, years, -opening, 20_000.0, when=when)  # paid out is negative there
    assert contribution_for(fund, expenses, 0.0) == pytest.approx(-float(theirs), rel=1e-9)


@pytest.mark.parametrize("timing", ["start", "end"])
def test_balance_without_expenses_is_the_spreadsheet_future_value(timing: str) -> None:
    fund = Fund.level(1000.0, 0.03, np.arange(11), timing=timing)  # type: ignore[arg-type]
    found = balances(fund, np.full(10, 150.0), np.zeros((1, 10)))
    when = "begin" if timing == "start" else "end"
    for years in range(1, 11):
        expected = npf.fv(0.03, years, -150.0, -1000.0, when=when)
        assert found[0, years - 1] == pytest.approx(float(expected), rel=1e-12)
