"""The simulator obeys its own law, and the scores know a true forecast from a false one."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.validation.simulator import Truth, future_failures, make_fleet
from tests.validation.totals import covered, expected_crps

BARE = Truth(
    shape=(3.0, 3.0),
    scale=(14.0, 14.0),
    anode_spent=0.0,
    hardness=0.0,
    setpoint=0.0,
    dispersion=1e-4,
    planned_per_year=0.0,
)


def test_lives_follow_the_weibull_law() -> None:
    fleet = make_fleet(900, 10.0, seed=3, truth=BARE)
    count = len(fleet.places.kind)
    ten = future_failures(fleet, 10, 40, seed=3).sum(axis=(1, 2)).mean()
    # In a mixed-age fleet ten years see about ten lives' worth: 10 / mean life.
    mean_life = 14 * 0.8929795  # Gamma(4/3)
    assert ten / count == pytest.approx(10 / mean_life, rel=0.04)
    heaters = fleet.records.heaters
    exact = heaters[heaters["installed_earliest"] == heaters["installed_latest"]]
    # Failures less cumulative hazard over the time watched is pure chance, whatever began or ended when.
    end = exact["ended_latest"].fillna(pd.Timestamp(2026, 1, 1))
    ages = [
        (day - exact["installed_latest"]).dt.days.clip(lower=0) / 365.2425
        for day in (exact["record_start"], end)
    ]
    expected = ((ages[1] / 14) ** 3 - (ages[0] / 14) ** 3).sum()
    failed = (exact["ending"] == "tank_leak").sum()
    assert abs(failed - expected) < 2.6 * np.sqrt(expected)
    assert expected > 200


def test_records_hold_nothing_from_before_they_begin_or_after_today() -> None:
    fleet = make_fleet(300, 3.0, seed=5)
    heaters, services = fleet.records.heaters, fleet.records.services
    begin = pd.Timestamp(2022, 12, 31)
    assert (heaters["record_start"] >= begin).all()
    assert (heaters["record_start"] >= heaters["installed_latest"] - pd.Timedelta(days=1)).all()
    assert (services["done_latest"] >= begin).all()
    assert not (heaters["ended_latest"] > pd.Timestamp(2026, 1, 1)).any()
    vague = (heaters["installed_earliest"] < heaters["installed_latest"]).sum()
    older = (heaters["installed_latest"] <= begin + pd.Timedelta(days=2)).sum()
    assert 0.05 < vague / older < 0.3
    assert {"tank_leak", "replaced_as_planned", ""} == set(heaters["ending"])


def test_the_same_seed_gives_the_same_fleet() -> None:
    one, two = make_fleet(60, 3.0, seed=7), make_fleet(60, 3.0, seed=7)
    pd.testing.assert_frame_equal(one.records.heaters, two.records.heaters)
    assert not one.records.heaters.equals(make_fleet(60, 3.0, seed=8).records.heaters)


def test_young_buildings_hold_no_heater_older_than_they_are() -> None:
    fleet = make_fleet(300, 3.0, seed=9, truth=Truth(young_share=0.5))
    built, installed = fleet.places.built, fleet.heaters.installed
    young = built > 1970
    assert 0.2 < young.mean() < 0.8
    assert (installed[young] >= built[young]).all()
    assert 0.05 < (installed[young] == built[young]).mean() < 0.6  # the first ones still stand in some places
    assert set(fleet.records.heaters["building_built"]) == set(built)


def test_the_truth_scores_best() -> None:
    generator = np.random.default_rng(1)
    actual = generator.poisson(20, 400).astype(float)
    right, narrow, off = (generator.poisson(m, 3000).astype(float) for m in (20, 20, 27))
    narrow = 20 + (narrow - 20) / 3
    assert covered(right, actual, 1) == pytest.approx(0.8, abs=0.05)
    assert covered(narrow, actual, 1) < 0.6
    assert covered(off, actual, 1) < 0.6
    assert expected_crps(right, actual) < min(expected_crps(narrow, actual), expected_crps(off, actual))
