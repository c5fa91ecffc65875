"""Ages found standing as evidence: right where renewal is steady, left out where it cannot be, dropped where it lies."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from forecasting.episodes import COVARIATES, Episodes, Records, build_episodes
from forecasting.lifetimes import load_prior
from forecasting.posterior import Posterior, _active_part, _standing_in, fit
from forecasting.recurrence import ages_found, norm_and_mean
from forecasting.standing import Standing
from forecasting.target import Target, build_target

KIND = "electric_storage"
PRIOR = load_prior((KIND, "heat_pump"), COVARIATES)
TRUE_SHAPE, TRUE_SCALE = 3.0, 9.0
BEGIN, AS_OF = pd.Timestamp(2023, 1, 1), date(2026, 1, 1)
NO_DATES = ("made_earliest", "made_latest", "ended_earliest", "ended_latest", "softened_since")


def renewed_estate(positions: int = 240, seed: int = 4, built: float = 1950, kind: str = KIND) -> Records:
    """Heaters renewed one by one since 1900, watched for three years; twelve positions a building."""
    rng = np.random.default_rng(seed)
    rows = []
    for place in range(positions):
        born = -120.0 - rng.uniform(0, 9)
        while born < 3.0:
            dies = born + TRUE_SCALE * rng.weibull(TRUE_SHAPE)
            if dies > 0:
                rows.append((place, born, dies))
            born = dies
    place, born, dies = (np.array(column) for column in zip(*rows, strict=True))
    installed = pd.Series(BEGIN + pd.to_timedelta((born * 365.25).round(), unit="D"))
    ended = pd.Series(BEGIN + pd.to_timedelta((dies * 365.25).round(), unit="D"))
    gone = dies < 3.0
    frame = pd.DataFrame(
        {
            "heater_id": np.arange(len(place)) + 1,
            "kind": kind,
            "property_id": 1,
            "building_id": place // 12 + 1,
            "position_id": place + 1,
            "installed_earliest": installed,
            "installed_latest": installed,
            "record_start": installed.clip(lower=BEGIN),
            "ending": np.where(gone, "tank_leak", ""),
            "building_built": built,
        }
    )
    for column in NO_DATES:
        frame[column] = pd.Series(pd.NaT, index=frame.index, dtype="datetime64[ns]")
    frame["ended_earliest"] = frame["ended_latest"] = ended.where(gone)
    for column in (
        "capacity_gal",
        "input_btu_h",
        "setpoint_f",
        "anode_count",
        "static_pressure_psi",
        "units_served",
    ):
        frame[column] = np.nan
    frame = frame.assign(anode_kind="", closed_system=None, has_expansion_tank=None, recirculation=None)
    services = pd.DataFrame(
        columns=["heater_id", "kind", "done_earliest", "done_latest", "anode_left_fraction", "setpoint_f"]
    )
    waters = pd.DataFrame(
        columns=["building_id", "treatment", "tested_on", "hardness_mg_l", "conductivity_us_cm"]
    )
    return Records(frame, services, waters, AS_OF)


def known_then(records: Records) -> Records:
    """The same on the day after the record began: no failure yet to speak of, and none missed."""
    day = date(2023, 1, 2)
    heaters = records.heaters[records.heaters["installed_latest"] < pd.Timestamp(day)].copy()
    heaters["ending"] = ""
    heaters["ended_earliest"] = heaters["ended_latest"] = pd.NaT
    return Records(heaters.reset_index(drop=True), records.services, records.waters, day)


def log_median(posterior: Posterior) -> np.ndarray:
    return np.asarray(posterior.log_scale[:, 0] + np.log(np.log(2)) / np.exp(posterior.log_shape[:, 0]))


def without_year_built(records: Records) -> Records:
    return replace(records, heaters=records.heaters.drop(columns="building_built"))


@pytest.mark.parametrize(("q", "shape"), [(0.0, 3.0), (0.24, 2.5), (1.0, 1.5), (1.6, 4.0), (900.0, 1.2)])
def test_the_norm_of_an_age_found_is_its_integral(q: float, shape: float) -> None:
    def density(u: float) -> float:
        return float(np.exp(-q * u - u**shape))

    end = min(40.0, 40 / max(q, 1e-9))
    whole = quad(density, 0, end)[0]
    log_norm, mean = norm_and_mean(np.array([q]), np.array([shape]))
    assert log_norm[0] == pytest.approx(np.log(whole), abs=1e-5)
    assert mean[0] == pytest.approx(quad(lambda u: u * density(u), 0, end)[0] / whole, abs=1e-4)


@settings(max_examples=30, deadline=None)
@given(
    st.floats(1.3, 5.0),
    st.floats(5.0, 30.0),
    st.floats(0.0, 1.5),
    st.floats(0.0, 0.5),
    st.floats(0.003, 0.2),
    st.sampled_from([4, 20]),
)
def test_the_norms_of_many_ages_are_summed_as_they_are_one_by_one(
    shape: float, median: float, spread: float, tilted: float, removals: float, in_each: int
) -> None:
    """Whether few or many, with states that move with age and each building's own way of moving."""
    buildings = np.repeat(np.arange(10), in_each)
    n = len(buildings)
    x = np.linspace(-spread, spread, n)[:, None]
    tilt = np.linspace(-tilted, tilted / 2, 10)[buildings][:, None]
    standing = Standing(
        kind=np.zeros(n, np.int64),
        building=buildings,
        age=np.ones(n),
        x=x,
        x_usual=x,
        x_tilt=tilt,
        removals_per_year=removals,
        old=np.ones(n, dtype=bool),
        by_plan=False,
    )
    theta = np.array([[np.log(shape), np.log(median), 1.0, 0.0]])
    u = np.linspace(1e-6, 1, 4001) ** 2 * 40 * median * np.exp(2 / shape)
    grown = np.log(2) * (u / median) ** shape * np.exp(x + tilt * np.log(u / 10))
    norms = np.trapezoid(np.exp(-removals * u - grown), u, axis=1)
    assert ages_found(standing, 10, True).constant(theta)[0] == pytest.approx(
        -np.log(norms).sum(), abs=1e-3 * n
    )


def test_a_building_where_states_move_with_age_is_not_taken_for_kinder_than_it_is() -> None:
    """Rods renewed make the old better off than untended ones of their age: old heaters there are no sign of more."""
    rng, n, shape, median, beta = np.random.default_rng(3), 40_000, 3.0, 12.0, 0.7
    tilt = np.repeat([0.0, -0.6], n // 2)[:, None]
    whole = shape + tilt[:, 0] * beta
    # By its integral a rate u^(k'-1) leaves ages of density exp(-u^k'), which is a root of a Gamma.
    scale = 10 * (np.log(2) * (10 / median) ** shape) ** (-1 / whole)
    age = scale * rng.gamma(1 / whole) ** (1 / whole)
    x = tilt * np.log(age / 10)[:, None]
    standing = Standing(
        kind=np.zeros(n, np.int64),
        building=np.repeat([0, 1], n // 2),
        age=age,
        x=x,
        x_usual=np.zeros((n, 1)),
        x_tilt=tilt,
        removals_per_year=1e-9,
        old=np.zeros(n, dtype=bool),
        by_plan=False,
    )
    theta = np.array([[np.log(shape), np.log(median), beta, 0.0]])
    ages = ages_found(standing, 2, False)
    hardness = ages.count(theta)[:, 0] / ages.exposure(theta)[:, 0]
    assert hardness == pytest.approx(np.ones(2), abs=0.03)


def rods_renewed(records: Records, buildings: tuple[int, ...]) -> Records:
    """The same, with rods renewed often in these buildings."""
    cared = records.heaters[records.heaters["building_id"].isin(buildings)]
    days = [pd.Timestamp(2023, 6, 1), pd.Timestamp(2024, 9, 1), pd.Timestamp(2025, 12, 1)]
    services = pd.concat(
        [cared[["heater_id"]].assign(kind="anode_renewed", done_earliest=day) for day in days]
    )
    services = services.assign(
        done_latest=services["done_earliest"], anode_left_fraction=1.0, setpoint_f=np.nan
    )
    return replace(records, services=services.reset_index(drop=True))


def target_with_ages(records: Records, hear: bool) -> Target:
    episodes = build_episodes(records)
    active, kinds, columns = _active_part(episodes, PRIOR)
    target, standing = build_target(active, PRIOR, kinds, columns), _standing_in(episodes, columns)
    assert standing is not None
    return replace(target, ages=ages_found(standing, len(target.failures), hear))


@pytest.mark.parametrize("hear", [True, False])
def test_the_gradient_with_ages_is_that_of_the_value(hear: bool) -> None:
    target = target_with_ages(rods_renewed(renewed_estate(60), (2, 4)), hear)
    theta = target.start + 0.1 * np.random.default_rng(0).standard_normal(target.size)
    step = 1e-5 * np.eye(target.size)
    slope = [(target.point(theta + e).value - target.point(theta - e).value) / 2e-5 for e in step]
    assert target.point(theta).gradient == pytest.approx(np.array(slope), abs=1e-3)
    assert target.many(theta[None])[0][0] == pytest.approx(target.point(theta).value)


@pytest.mark.parametrize("hear", [True, False])
def test_the_curvature_with_ages_is_the_slope_of_the_gradient(hear: bool) -> None:
    target = target_with_ages(rods_renewed(renewed_estate(60), (2, 4)), hear)
    theta = target.start + 0.1 * np.random.default_rng(0).standard_normal(target.size)
    step = 1e-5 * np.eye(target.size)
    found = np.array(
        [(target.point(theta + e).gradient - target.point(theta - e).gradient) / 2e-5 for e in step]
    )
    size = np.sqrt(np.abs(np.diag(found)))
    assert np.all(np.abs(target.point(theta).hessian - found) < 0.03 * np.multiply.outer(size, size))


def test_with_no_failure_yet_the_ages_alone_find_the_life_that_the_prior_had_too_long() -> None:
    records, truth = known_then(renewed_estate(seed=2)), np.log(TRUE_SCALE) + np.log(np.log(2)) / TRUE_SHAPE
    alone = log_median(fit(build_episodes(without_year_built(records)), PRIOR, 600, 1))
    heard = log_median(fit(build_episodes(records), PRIOR, 600, 1))
    assert alone.mean() > truth + 0.4
    # One draw in ten does not go by the ages: so the middle, and the range of the middle eight.
    assert np.median(heard) == pytest.approx(truth, abs=0.15)
    assert np.ptp(np.quantile(heard, (0.1, 0.9))) < 0.4 * np.ptp(np.quantile(alone, (0.1, 0.9)))


def test_where_failures_agree_the_ages_sharpen_the_answer_and_the_fit_says_so() -> None:
    records = renewed_estate(96)
    alone = fit(build_episodes(without_year_built(records)), PRIOR, 600, 1)
    heard = fit(build_episodes(records), PRIOR, 600, 1)
    assert any("were heard too" in message for message in heard.diagnostics.messages)
    assert not any("found standing" in message for message in alone.diagnostics.messages)
    assert log_median(heard).std() < 0.85 * log_median(alone).std()


def test_where_failures_disagree_the_ages_are_left_out_and_the_fit_says_so() -> None:
    records = renewed_estate()
    # Somebody replaced them all some years before the record, spread over three years: the ages are no lives.
    young = records.heaters["installed_latest"] < BEGIN
    moved = BEGIN - pd.to_timedelta(np.random.default_rng(1).uniform(40, 1400, len(young)), unit="D").round(
        "D"
    )
    heaters = records.heaters.copy()
    for column in ("installed_earliest", "installed_latest"):
        heaters[column] = heaters[column].mask(young, pd.Series(moved))
    heaters["ending"] = ""
    heaters["ended_earliest"] = heaters["ended_latest"] = pd.NaT
    heaters = heaters.drop_duplicates("position_id").reset_index(drop=True)
    odd = replace(records, heaters=heaters)
    heard, alone = (fit(build_episodes(r), PRIOR, 600, 1) for r in (odd, without_year_built(odd)))
    assert any("do not agree" in message for message in heard.diagnostics.messages)
    assert np.array_equal(heard.log_scale, alone.log_scale)
    assert np.array_equal(heard.z, alone.z)


def standing_count(episodes: Episodes) -> int:
    """Heaters whose ages are evidence on lives."""
    found = episodes.standing
    return 0 if found is None or found.by_plan else int(found.old.sum())


def test_only_the_first_heater_of_each_position_counts() -> None:
    records = renewed_estate(48)
    assert 40 < standing_count(build_episodes(records)) <= 48
    found = build_episodes(records).standing
    assert found is not None
    mean_age = (
        TRUE_SCALE * 0.5 * 1.3541179 / 0.8929795 / 1.5
    )  # E[L^2] / (2 E[L]) of Weibull(3), gamma functions
    assert found.age.mean() == pytest.approx(mean_age, rel=0.5)


@pytest.mark.parametrize(
    "why", ["built lately", "unknown", "spreading kind", "put in together", "mostly planned"]
)
def test_where_ages_are_no_evidence_they_are_left_out(why: str) -> None:
    records = renewed_estate(48, built=1990 if why == "built lately" else 1950)
    heaters = records.heaters.copy()
    if why == "unknown":
        heaters["building_built"] = np.nan
    if why == "spreading kind":
        heaters["kind"] = "heat_pump"
    if why == "put in together":
        before = heaters["installed_latest"] < BEGIN
        half = before & (heaters["position_id"] % 2 == 0)
        for column in ("installed_earliest", "installed_latest"):
            heaters[column] = heaters[column].mask(half, pd.Timestamp(2015, 5, 1))
    if why == "mostly planned":
        heaters["ending"] = heaters["ending"].where(heaters["heater_id"] % 5 == 0, "replaced_as_planned")
        heaters["ending"] = heaters["ending"].where(heaters["ended_latest"].notna(), "")
    assert standing_count(build_episodes(replace(records, heaters=heaters))) == 0


def test_the_states_before_the_record_are_those_of_the_heaters_own_building() -> None:
    records = renewed_estate(48)
    heaters = records.heaters.sample(frac=1, random_state=3).reset_index(drop=True)
    odd = rods_renewed(replace(records, heaters=heaters), (2, 4))
    episodes = build_episodes(odd)
    found, anode = episodes.standing, COVARIATES.index("anode_spent")
    assert found is not None
    building = np.array(episodes.buildings)[found.building]
    renewed, old = np.isin(building, [2, 4]), found.age > 6
    assert (found.x[renewed & old, anode] < -0.15).all()
    assert found.x[~renewed, anode] == pytest.approx(0, abs=0.02)
    assert np.ptp(found.x_usual[building == 2, anode]) < 1e-9
    foretold = found.x_usual + found.x_tilt * np.log(found.age / 10)[:, None]
    assert foretold[old] == pytest.approx(found.x[old], abs=0.08)
    assert (found.x_tilt[renewed, anode] < -0.2).all()
    assert found.x_tilt[~renewed] == pytest.approx(0, abs=0.02)


@pytest.mark.parametrize(
    "odd",
    ["one building", "all fail in one month", "ages of ninety", "put in on the first day", "one heater"],
)
def test_odd_records_of_old_buildings_give_finite_answers(odd: str) -> None:
    heaters = renewed_estate(36).heaters.copy()
    found = heaters["installed_latest"] < BEGIN
    if odd == "one building":
        heaters["building_id"] = 1
    if odd == "all fail in one month":
        heaters = heaters[found].reset_index(drop=True)
        days = pd.Timestamp(2023, 5, 1) + pd.to_timedelta(heaters.index % 30, unit="D")
        heaters["ended_earliest"] = heaters["ended_latest"] = days
        heaters["ending"] = "tank_leak"
    if odd == "ages of ninety":
        for column in ("installed_earliest", "installed_latest"):
            heaters[column] = heaters[column].mask(found, heaters[column] - pd.Timedelta(days=90 * 365))
        heaters["building_built"] = 1890.0
    if odd == "put in on the first day":
        for column in ("installed_earliest", "installed_latest"):
            heaters[column] = heaters[column].mask(found, BEGIN - pd.Timedelta(days=1))
    if odd == "one heater":
        heaters = heaters.iloc[:1].assign(ending="", ended_earliest=pd.NaT, ended_latest=pd.NaT)
    records = replace(renewed_estate(1), heaters=heaters)
    fitted = fit(build_episodes(records), PRIOR, 100, 1)
    for draws in (fitted.log_shape, fitted.log_scale, fitted.beta, fitted.dispersion, fitted.z):
        assert np.isfinite(draws).all()
    assert 1.0 < np.exp(log_median(fitted).mean()) < 150.0
