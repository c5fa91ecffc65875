"""Checks of the forecast: nothing of the future leaks, counts add up, the sentence says what the table shows."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.checks import (
    BackTest,
    back_test,
    brier_score,
    calibration_slope,
    crps_of_paths,
    endings_curve,
    landmarks_for,
    lives,
    log_score,
    model_curve,
    observed_against_expected,
    randomised_pit,
    ranking,
    records_as_of,
    survival_curve,
    verdict_of,
)
from forecasting.episodes import COVARIATES, Episodes, Records, build_episodes
from forecasting.lifetimes import load_prior
from forecasting.posterior import Posterior, fit
from tests.validation.simulator import KINDS, make_fleet

PRIOR = load_prior(KINDS, COVARIATES)


@pytest.fixture(scope="module")
def records() -> Records:
    return make_fleet(130, 8.0, seed=4).records


@pytest.fixture(scope="module")
def episodes(records: Records) -> Episodes:
    return build_episodes(records, KINDS)


@pytest.fixture(scope="module")
def posterior(episodes: Episodes) -> Posterior:
    return fit(episodes, PRIOR, 200, seed=1)


@pytest.fixture(scope="module")
def tested(records: Records) -> BackTest:
    return back_test(records, PRIOR, draws=200, seed=2)


def test_nothing_later_than_the_landmark_is_left(records: Records) -> None:
    when = date(2022, 1, 1)
    known = records_as_of(records, when)
    stamp = pd.Timestamp(when)
    assert (known.heaters["record_start"] <= stamp).all()
    assert not (known.heaters["ended_latest"] > stamp).any()
    assert (known.services["done_latest"] <= stamp).all()
    open_again = known.heaters[known.heaters["ended_latest"].isna()]
    assert (open_again["ending"] == "").all()
    failed_later = records.heaters[records.heaters["ended_earliest"] > stamp]["heater_id"]
    assert len(set(failed_later) & set(open_again["heater_id"])) > 5


def test_what_happens_later_does_not_change_an_earlier_forecast(records: Records) -> None:
    landmark = date(2023, 1, 1)
    changed = records.heaters.copy()
    later = changed["ended_earliest"] > pd.Timestamp(landmark)
    changed.loc[later, ["ended_earliest", "ended_latest"]] = pd.NaT
    changed.loc[later, "ending"] = ""
    other = Records(changed, records.services, records.waters, records.as_of)
    one = back_test(records, PRIOR, [landmark], draws=60, seed=2)
    two = back_test(other, PRIOR, [landmark], draws=60, seed=2)
    full = one.heaters["followed"] == one.heaters["horizon_years"]
    assert full.sum() > 50
    assert np.array_equal(one.heaters["chance"][full], two.heaters["chance"][full])
    assert two.landmarks["observed"].sum() == 0 < one.landmarks["observed"].sum()


def test_back_test_counts_what_happened(records: Records, tested: BackTest) -> None:
    table = tested.landmarks
    assert list(zip(table["landmark"], table["horizon_years"], strict=True)) == [
        (date(2023, 1, 1), 1), (date(2023, 1, 1), 2), (date(2023, 1, 1), 3),
        (date(2024, 1, 1), 1), (date(2024, 1, 1), 2), (date(2025, 1, 1), 1),
    ]  # fmt: skip
    heaters = records.heaters
    stamp, until = pd.Timestamp(2023, 1, 1), pd.Timestamp(2025, 1, 1)
    in_service = (heaters["record_start"] <= stamp) & ~(heaters["ended_latest"] <= stamp)
    failed = in_service & (heaters["ending"] == "tank_leak") & (heaters["ended_latest"] < until)
    assert table["heaters"].iloc[1] == in_service.sum()
    assert table["observed"].iloc[1] == failed.sum()
    assert (table["p10"] <= table["expected"]).all() and (table["expected"] <= table["p90"]).all()
    assert table["pit"].between(0, 1).all()
    assert tested.heaters["chance"].between(0, 1).all()


def test_the_same_seed_gives_the_same_back_test(records: Records, tested: BackTest) -> None:
    again = back_test(records, PRIOR, draws=200, seed=2)
    pd.testing.assert_frame_equal(again.landmarks, tested.landmarks)
    assert again.verdict == tested.verdict


def test_a_short_record_says_there_is_no_back_test() -> None:
    records = make_fleet(30, 1.0, seed=1).records
    assert landmarks_for(records) == ()
    answer = back_test(records, PRIOR)
    assert answer.verdict.earned is None
    assert "two years" in answer.verdict.words
    with pytest.raises(ValueError, match="at least a year before"):
        back_test(records, PRIOR, [date(2025, 9, 1)])


def test_curves_start_at_one_fall_and_lie_near_each_other(posterior: Posterior, episodes: Episodes) -> None:
    seen = survival_curve(episodes, KINDS[0])
    start = seen.attrs["from_age"]
    assert seen["survival"].iloc[0] == pytest.approx(1.0)
    assert seen["survival"].is_monotonic_decreasing
    assert (seen["low"] <= seen["survival"] + 1e-9).all() and (seen["survival"] <= seen["high"] + 1e-9).all()
    ages = np.arange(start, start + 15.0)
    model = model_curve(posterior, episodes, KINDS[0], ages)
    at = np.interp(ages, seen["age"], seen["survival"])
    assert np.abs(model["survival"].to_numpy() - at).max() < 0.15
    with pytest.raises(ValueError, match="not on record"):
        survival_curve(episodes, "steam_engine")


def test_causes_compete(episodes: Episodes, records: Records) -> None:
    table = endings_curve(episodes, records)
    total = table["failed"] + table["otherwise"]
    assert (table[["failed", "otherwise"]].to_numpy() >= 0).all() and total.max() <= 1 + 1e-9
    assert table["failed"].is_monotonic_increasing and table["otherwise"].is_monotonic_increasing
    alone = survival_curve(episodes)
    at_15 = 1 - np.interp(15, alone["age"], alone["survival"])
    assert np.interp(15, table["age"], table["failed"]) < at_15


@pytest.mark.parametrize("by", ["age", "year", "kind", "property"])
def test_observed_and_expected_add_up_however_grouped(
    posterior: Posterior, episodes: Episodes, records: Records, by: Any
) -> None:
    table = observed_against_expected(posterior, episodes, records, by)
    failures = int((records.heaters["ending"] == "tank_leak").sum())
    assert table["observed"].sum() == pytest.approx(failures, abs=0.5)
    whole = observed_against_expected(posterior, episodes, records, "kind")
    assert table["expected"].sum() == pytest.approx(whole["expected"].sum(), rel=1e-6)
    assert table["exposure_years"].sum() == pytest.approx(whole["exposure_years"].sum(), rel=1e-6)
    # Fitted to these very failures, so the sum must be close.
    assert table["expected"].sum() == pytest.approx(failures, rel=0.15)
    assert (table["ratio_low"] <= table["ratio"] + 1e-9).all()
    with pytest.raises(ValueError, match="choose age, year"):
        observed_against_expected(posterior, episodes, records, "colour")  # type: ignore[arg-type]


def test_calendar_years_hold_the_failures_of_those_years(
    posterior: Posterior, episodes: Episodes, records: Records
) -> None:
    table = observed_against_expected(posterior, episodes, records, "year").set_index("group")["observed"]
    ended = records.heaters.loc[
        records.heaters["ending"] == "tank_leak", "ended_latest"
    ].dt.year.value_counts()
    for year in (2019, 2021, 2024):
        assert table[str(year)] == pytest.approx(ended.get(year, 0), abs=1.01)  # an ending on 1 January


def test_each_heater_is_one_life(episodes: Episodes, records: Records) -> None:
    found = lives(episodes)
    assert len(found.heater) == len(episodes.heater_ids)
    assert (found.exit_age > found.entry_age).all()
    assert found.failed.sum() == (records.heaters["ending"] == "tank_leak").sum()


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(-50, 50), min_size=2, max_size=30), st.floats(-60, 60))
def test_ranked_probability_score_equals_its_definition(values: list[float], observed: float) -> None:
    paths = np.array(values)
    slow = np.abs(paths - observed).mean() - np.abs(paths[:, None] - paths[None]).mean() / 2
    assert float(crps_of_paths(paths, observed)) == pytest.approx(slow, abs=1e-9)
    assert slow >= -1e-9


def test_scores_reward_the_true_forecast() -> None:
    generator = np.random.default_rng(3)
    chance = generator.beta(1, 5, 20_000)
    happened = generator.random(20_000) < chance
    slope, error = calibration_slope(chance, happened)
    assert abs(slope - 1) < 3 * error < 0.2
    bold = chance**2 / (chance**2 + (1 - chance) ** 2)
    assert calibration_slope(bold, happened)[0] < 0.8
    assert brier_score(chance, happened) < brier_score(bold, happened)
    assert log_score(chance, happened) > log_score(np.full(20_000, happened.mean()), happened)
    assert ranking(chance, happened) > 0.6
    assert ranking(np.full(10, 0.5), np.arange(10) < 4) == pytest.approx(0.5)
    assert np.isnan(ranking(chance, np.zeros(20_000, dtype=bool)))
    assert np.isnan(calibration_slope(chance[:5], happened[:5] & False)[0])


def test_randomised_pit_of_right_counts_is_even() -> None:
    generator = np.random.default_rng(8)
    paths, seen = generator.poisson(3.0, (2000, 3000)), generator.poisson(3.0, 3000)
    pit = randomised_pit(paths.astype(float), seen.astype(float), seed=1)
    assert np.histogram(pit, 5, (0, 1))[0] == pytest.approx(np.full(5, 600), abs=90)


def heater_table(
    expected: float, failed: int, count: int = 100, table_chance: float | None = None
) -> pd.DataFrame:
    chance = np.full(count, expected / count)
    return pd.DataFrame(
        {
            "landmark": date(2023, 1, 1), "horizon_years": 3, "kind": "electric_storage", "property_id": 7,
            "chance": chance, "chance_table": chance if table_chance is None else np.full(count, table_chance),
            "chance_plain": chance, "failed": np.arange(count) < failed, "removed": False,
        }
    )  # fmt: skip


def landmark_table(expected: float, failed: int) -> pd.DataFrame:
    spread = 1.3 * np.sqrt(expected)
    return pd.DataFrame(
        [
            {
                "landmark": date(2023, 1, 1), "horizon_years": 3, "heaters": 100, "expected": expected,
                "p10": expected - spread, "p90": expected + spread, "observed": failed,
            }
        ]
    )  # fmt: skip


def test_the_sentence_follows_the_numbers() -> None:
    good = verdict_of(landmark_table(20, 22), heater_table(20, 22))
    assert good.earned is True
    assert good.words.startswith("Of 100 heaters in service on 2023-01-01, the forecast made as of that day")
    assert "22 did" in good.words and "has earned trust" in good.words
    low = verdict_of(landmark_table(10, 30), heater_table(10, 30))
    assert low.earned is False
    assert "too few failures were forecast" in low.words
    assert low.weak_spots[0] == "kind electric storage: 10.0 failures forecast, 30 seen"
    high = verdict_of(landmark_table(40, 12), heater_table(40, 12))
    assert "too many failures were forecast, or failures are missing from the record" in high.words
    few = verdict_of(landmark_table(2, 1), heater_table(2, 1))
    assert few.earned is None and "too few failures to judge" in few.words
    told = heater_table(20, 20)
    told["chance_table"] = np.where(told["failed"], 0.9, 0.1)
    behind = verdict_of(landmark_table(20, 20), told)
    assert behind.earned is False and "the published table told single heaters apart better" in behind.words


def test_a_forecast_with_lives_twice_too_long_does_not_earn_trust(records: Records) -> None:
    sure = replace(
        PRIOR,
        log_median_mean=PRIOR.log_median_mean + np.log(2.5),
        log_median_sd=np.full(2, 0.01),
        log_median_common_sd=0.005,
        dispersion_median=0.002,
        dispersion_log_sd=0.05,
        beta_mean=np.zeros(len(COVARIATES)),
        beta_sd=np.full(len(COVARIATES), 0.01),
    )
    answer = back_test(records, sure, [date(2023, 1, 1)], draws=100, seed=3)
    assert answer.verdict.earned is False
    assert "too few failures were forecast" in answer.verdict.words
