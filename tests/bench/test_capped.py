"""How long a plan under a cap takes, and how far from the best it may be: run by hand, printed, bounded."""

from __future__ import annotations

import time

import numpy as np
import pytest

from forecasting.policy import Limits, capped_plan, plan_spend
from tests.forecasting.test_policy import invented_choices


@pytest.mark.parametrize(("heaters", "seconds", "share"), [(450, 60, 0.02), (100_000, 300, 0.05)])
def test_time_and_gap(heaters: int, seconds: float, share: float) -> None:
    choices = invented_choices(heaters, 10, 1, per_building=4)
    limits = Limits(np.full(10, heaters * 100.0))
    start = time.perf_counter()
    plan = capped_plan(choices, limits)
    took = time.perf_counter() - start
    saved = choices.cost[:, -1].sum() - plan.cost
    print(
        f"{heaters} heaters: {took:.1f} s, {plan.method}, gap {plan.gap:,.0f} = {plan.gap / saved:.2%} of the saving"
    )
    assert took < seconds
    assert plan.gap < share * saved
    assert (plan_spend(choices, plan.period) <= limits.money + 1e-6).all()
