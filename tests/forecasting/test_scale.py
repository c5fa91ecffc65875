"""Scale between flushes: grows with hardness, draw and set point; its range is stated."""

import numpy as np
import pytest

from forecasting import scale


def test_scale_follows_hardness_draw_time_and_heat() -> None:
    rate = scale.scale_rate_kg_per_year(np.array([100.0, 200.0]), 130, 50)
    assert rate[1] == pytest.approx(2 * rate[0])
    assert scale.scale_rate_kg_per_year(100, 130, 100) == pytest.approx(2 * rate[0])
    assert scale.scale_rate_kg_per_year(100, 150, 50) == pytest.approx(2 * rate[0])
    assert scale.scale_between_flushes_kg(rate, 3.0) == pytest.approx(3 * rate)
    assert scale.scale_between_flushes_kg(rate, -1.0) == pytest.approx([0, 0])


def test_no_hardness_no_scale_and_unknown_stays_unknown() -> None:
    assert scale.scale_rate_kg_per_year(0, 140, 50) == 0
    assert np.isnan(scale.scale_rate_kg_per_year(np.nan, 140, 50))


def test_absurd_inputs_are_held_or_refused() -> None:
    most = scale.scale_rate_kg_per_year(600, 180, 50)
    assert scale.scale_rate_kg_per_year(5000, 400, 50) == pytest.approx(most)
    with pytest.raises(ValueError, match="draw_gal_day"):
        scale.scale_rate_kg_per_year(100, 130, -1)


def test_chemistry_caps_the_rate() -> None:
    free = scale.scale_rate_kg_per_year(300, 130, 50)
    capped = scale.scale_rate_kg_per_year(300, 130, 50, 1.0, np.array([np.nan, 500.0, 1.0, -20.0]))
    assert capped[0] == capped[1] == free
    assert capped[2] == pytest.approx(1e-6 * 50 * 3.785411784 * 365.25)
    assert capped[3] == 0.0


def test_gas_keeps_less_than_electric() -> None:
    gas, electric = scale.kind_factor(["gas_storage_atmospheric", "electric_storage"])
    assert gas < electric == 1.0


def test_the_range_holds_the_median_and_widens_with_coverage() -> None:
    low, high = scale.scale_range(2.0)
    assert low == pytest.approx(0.8)
    assert high == pytest.approx(5.0)
    wider = scale.scale_range(2.0, 0.95)
    assert wider[0] < low
    assert wider[1] > high
    with pytest.raises(ValueError, match="coverage"):
        scale.scale_range(2.0, 1.0)


def test_flushes_take_out_a_share_and_future_ones_do_not_count() -> None:
    never = scale.scale_in_tank_kg(0.5, 10.0, [])
    assert never == pytest.approx(5.0)
    assert scale.scale_in_tank_kg(0.5, 10.0, [12.0, -1.0]) == never
    assert scale.scale_in_tank_kg(0.5, 10.0, [5.0], removed_fraction=1.0) == pytest.approx(2.5)
    assert scale.scale_in_tank_kg(0.5, 10.0, [8.0, 4.0], 0.5) == pytest.approx(
        ((2.0 * 0.5) + 2.0) * 0.5 + 1.0
    )
    with pytest.raises(ValueError, match="removed_fraction"):
        scale.scale_in_tank_kg(0.5, 10.0, [], 1.5)


def test_the_covariate_starts_at_zero_and_is_per_ten_gallons() -> None:
    assert scale.sediment_covariate(0.0, 40.0) == 0.0
    assert scale.sediment_covariate(4.0, 40.0) == pytest.approx(np.log(2.0))
    tankless = scale.sediment_covariate(4.0, np.array([np.nan, 0.0, 1.0]))
    assert tankless == pytest.approx(np.full(3, np.log(2.0)))


def test_homes_set_the_draw() -> None:
    assert scale.typical_draw_gal_day([1, 4, np.nan]) == pytest.approx([45, 180, 45])
