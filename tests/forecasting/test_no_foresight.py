"""What a life looks like at an age must not depend on when that life later ended."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.episodes import build_episodes
from tests.forecasting.records import made_records

INSTALLED = date(2005, 4, 5)
WATER = [(1, "raw", "2016-05-01", 240.0, 500.0)]


def states_along(last_age: float, **ending: object) -> list[tuple[float, ...]]:
    """Covariates on the thirtieth part of each year up to `last_age`: where the cuts lie does not matter."""
    day = str(INSTALLED)
    heater = {"installed_earliest": day, "installed_latest": day, "record_start": day, **ending}
    episodes = build_episodes(made_records([heater], waters=WATER))
    ages = np.arange(0.01, last_age, 1 / 30)
    return [tuple(row) for row in episodes.x[np.searchsorted(episodes.exit_age, ages)]]


@settings(deadline=None, max_examples=60)
@given(st.integers(100, 7000))
def test_a_life_that_ended_looks_until_then_like_one_that_goes_on(days: int) -> None:
    end = str(INSTALLED + timedelta(days=days))
    last_age = days / 365.25 - 0.02
    ended = states_along(last_age, ending="tank_leak", ended_earliest=end, ended_latest=end)
    assert ended == states_along(last_age)
