"""Anodes: wear, life left with its spread, what an inspection teaches, kinds that do not wear."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecasting import anode


def test_an_unremarkable_rod_lasts_some_years_with_a_wide_spread() -> None:
    wear = anode.anode_wear(["magnesium"], 40.0)
    low, median, high = anode.remaining_life_years(wear, 0.0)[:, 0]
    assert 4.0 < median < 10.0  # the trade looks every 3 to 5 years (common practice, no source)
    assert high / low > 2.5


def test_softened_salty_and_hot_water_eat_anodes_faster() -> None:
    plain = anode.anode_wear(["magnesium"], 40.0).per_year
    assert anode.anode_wear(["magnesium"], 40.0, softened=True).per_year > plain
    assert anode.anode_wear(["magnesium"], 40.0, conductivity_us_cm=1500.0).per_year > plain
    assert anode.anode_wear(["magnesium"], 40.0, setpoint_f=150.0).per_year > plain
    assert anode.anode_wear(["magnesium"], 40.0, anode_count=2.0).per_year == pytest.approx(plain / 2)


def test_unknown_inputs_count_as_typical_and_an_unknown_metal_is_less_sure() -> None:
    known = anode.anode_wear(["magnesium"], 40.0, 1.0, 130.0, 500.0, False)
    guessed = anode.anode_wear([""], np.nan, np.nan)
    assert guessed.per_year == pytest.approx(known.per_year)
    assert guessed.log_sd > known.log_sd


def test_powered_and_none_get_no_wear_forecast() -> None:
    wear = anode.anode_wear(["powered", "none", "magnesium"], 50.0)
    spent = anode.spent_probability(wear, 8.0)
    assert spent[0] == 0.0
    assert spent[1] == 1.0
    assert 0.0 < spent[2] < 1.0
    life = anode.remaining_life_years(wear, 0.0)
    assert np.isnan(life[:, 0]).all()
    assert (life[:, 1] == 0.0).all()
    after = anode.inspected(wear, 4.0, 0.2)
    assert after.per_year[0] == after.per_year[1] == 0.0


def test_a_wrong_kind_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match=r"'copper'.*magnesium"):
        anode.anode_wear(["copper"], 40.0)


@given(st.floats(0, 40), st.floats(0, 40), st.floats(0, 1), st.floats(0, 30))
def test_the_chance_of_being_spent_never_falls_with_time(
    a: float, b: float, consumed: float, age: float
) -> None:
    wear = anode.anode_wear(["magnesium"], 40.0)
    early, late = sorted((a, b))
    first = anode.spent_probability(wear, early, consumed, age)[0]
    second = anode.spent_probability(wear, late, consumed, age)[0]
    assert 0.0 <= first <= second <= 1.0
    if consumed >= anode.SPENT_THRESHOLD:
        assert first == 1.0


def test_life_left_and_chance_of_being_spent_agree() -> None:
    wear = anode.anode_wear(["magnesium"], 40.0)
    lives = anode.remaining_life_years(wear, 0.3, 6.0, (0.1, 0.5, 0.9))[:, 0]
    for quantile, years in zip((0.1, 0.5, 0.9), lives, strict=True):
        assert anode.spent_probability(wear, years, 0.3, 6.0)[0] == pytest.approx(quantile)
    assert anode.consumed_share(wear, lives[1], 0.3, 6.0)[0] == pytest.approx(anode.SPENT_THRESHOLD)


def test_an_inspection_moves_the_rate_towards_what_was_seen_and_narrows_it() -> None:
    wear = anode.anode_wear(["magnesium"] * 3, 40.0)
    after = anode.inspected(wear, 4.0, [0.2, 0.9, np.nan])
    assert after.per_year[0] > wear.per_year[0] > after.per_year[1]
    assert (after.log_sd[:2] < wear.log_sd[:2]).all()
    assert after.per_year[2] == wear.per_year[2]
    assert after.log_sd[2] == wear.log_sd[2]
    seen_rate = 0.8 / (4.0 * (1 + 0.04 * 2.0))
    assert wear.per_year[0] < after.per_year[0] < seen_rate


def test_an_inspection_on_the_day_of_renewal_teaches_nothing_and_nonsense_is_refused() -> None:
    wear = anode.anode_wear(["magnesium"], 40.0)
    assert anode.inspected(wear, 0.0, 1.0).per_year == wear.per_year
    with pytest.raises(ValueError, match=r"left_fraction.*1\.2"):
        anode.inspected(wear, 4.0, 1.2)


def test_half_the_diameter_is_a_quarter_of_the_metal() -> None:
    assert anode.left_fraction_of_diameter(0.375, 0.75, 0.0) == pytest.approx(0.25)
    with_core = anode.left_fraction_of_diameter(0.375, 0.75)
    assert with_core == pytest.approx((0.375**2 - 0.135**2) / (0.75**2 - 0.135**2))
    assert anode.left_fraction_of_diameter(0.1, 0.75) == 0.0
    with pytest.raises(ValueError, match="coating"):
        anode.left_fraction_of_diameter(0.9, 0.75)
    with pytest.raises(ValueError, match="core"):
        anode.left_fraction_of_diameter(0.1, 0.1)
