"""Water: units and classes, indices that say when they do not apply."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecasting import water


@given(st.floats(0, 5000), st.sampled_from(sorted(water.HARDNESS_UNITS)))
def test_a_hardness_comes_back_from_any_unit(value: float, unit: str) -> None:
    assert water.from_mg_l(water.to_mg_l(value, unit), unit) == pytest.approx(value)


def test_an_unknown_unit_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match=r"'grains'.*gpg"):
        water.to_mg_l(10, "grains")


def test_classes_have_no_gaps_and_name_their_system() -> None:
    usgs = water.hardness_class(np.array([0, 60, 60.5, 120, 180, 180.1, np.nan]))
    assert list(usgs) == [
        "soft",
        "soft",
        "moderately hard",
        "moderately hard",
        "hard",
        "very hard",
        "",
    ]
    assert water.hardness_class(30.0, "WQA") == "slightly hard"
    assert water.hardness_class(30.0, "USGS") == "soft"
    with pytest.raises(ValueError, match="USGS or WQA"):
        water.hardness_class(30.0, "national")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"calcium_hardness_mg_l": 3.0}, "soft"),
        ({"calcium_hardness_mg_l": 0.0}, "soft"),
        ({"calcium_hardness_mg_l": -5.0}, "soft"),
        ({"calcium_hardness_mg_l": np.nan}, "calcium not tested"),
        ({"alkalinity_mg_l": 0.0}, "alkalinity under"),
        ({"alkalinity_mg_l": np.nan}, "alkalinity not tested"),
        ({"ph": np.nan}, "pH not tested"),
        ({"ph": 11.0}, "pH outside"),
        ({"test_temperature_c": np.nan}, "temperature of the pH test"),
        ({"setpoint_f": 220.0}, "temperature outside"),
        ({"dissolved_solids_mg_l": np.nan}, "neither dissolved solids nor conductivity"),
        ({"dissolved_solids_mg_l": 0.0}, "outside the formula's range"),
        ({"dissolved_solids_mg_l": 30000.0}, "outside the formula's range"),
    ],
)
def test_no_number_where_the_index_means_nothing(change: dict[str, float], words: str) -> None:
    sound = {
        "ph": 7.5,
        "calcium_hardness_mg_l": 200.0,
        "alkalinity_mg_l": 200.0,
        "test_temperature_c": 25.0,
        "setpoint_f": 140.0,
        "dissolved_solids_mg_l": 400.0,
    }
    assert all(index.applicable for index in water.tank_indices(**sound).values())
    for index in water.tank_indices(**{**sound, **change}).values():
        assert np.isnan(index.value)
        assert words in str(index.reason)


def test_a_bad_row_does_not_spoil_its_neighbours() -> None:
    found = water.tank_indices([7.5, np.nan, 7.5], [200, 200, 1], 200, 25, 140, 400)[
        "precipitation_potential"
    ]
    assert list(found.applicable) == [True, False, False]
    assert found.value[0] == water.tank_indices(7.5, 200, 200, 25, 140, 400)["precipitation_potential"].value


def test_hotter_tanks_scale_more_and_the_ph_falls() -> None:
    ladder = water.tank_indices(7.5, 200, 200, 15, np.array([110.0, 125.0, 140.0, 160.0]), 400)
    assert np.all(np.diff(ladder["langelier"].value) > 0)
    assert np.all(np.diff(ladder["precipitation_potential"].value) > 0)
    assert np.all(np.diff(ladder["ryznar"].value) < 0)
    assert water.ph_in_tank(7.5, 200, 15, 60, 0.01) < 7.5


@given(st.floats(6.3, 9.2), st.floats(20, 600), st.floats(20, 500), st.floats(5, 85))
def test_precipitation_ends_at_saturation_and_has_the_sign_of_langelier(
    ph: float, calcium: float, alkalinity: float, tank_c: float
) -> None:
    setpoint_f = tank_c * 1.8 + 32.0
    found = water.tank_indices(ph, calcium, alkalinity, 20.0, setpoint_f, 400.0)
    langelier, potential = float(found["langelier"].value), float(found["precipitation_potential"].value)
    if np.isnan(langelier):
        return
    assert potential < calcium
    if abs(langelier) > 0.02:
        assert np.sign(potential) == np.sign(langelier)


def test_conductivity_stands_in_for_dissolved_solids() -> None:
    assert water.ionic_strength(400.0, 9999.0) == pytest.approx(0.01)
    assert water.ionic_strength(np.nan, 625.0) == pytest.approx(0.01)
    assert np.isnan(water.ionic_strength())


def test_larson_skold_keeps_out_of_very_low_alkalinity() -> None:
    found = water.larson_skold([100, 150, np.nan], [1, 150, 1], [200, 5, 200])
    assert list(found.applicable) == [True, False, False]
    assert "alkalinity outside" in found.reason[1]
    assert found.reason[2] == "chloride not tested"


def test_carrier_refuses_almost_pure_water() -> None:
    assert "dissolved solids" in str(water.ph_saturation_carrier(100, 100, 25, 8).reason)
