"""The likelihood against published Weibull results and other engines.

Sources stand at each test.  R values: R package survival 3.x (survreg) on the data sets it ships, run apart from
this project; the same data ship in surpyval (tests/reference/data/fixtures.json, from R's survival) and in
lifelines.  Conversion: survreg gives log T = mu + x'g + scale * W, so shape k = 1/scale, log median at x = 0 is
mu + scale * log(log 2), and the proportional-hazards effect is b = -g / scale.
"""

from __future__ import annotations

import json
import warnings
from dataclasses import replace
from importlib import resources
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from scipy.special import gammaln

from forecasting.episodes import Episodes
from forecasting.hazard import LOG_LN2, dispersion_of, eta_of
from forecasting.lifetimes import load_prior
from forecasting.target import PriorTerms, Target, build_target

KIND = "gas_storage_atmospheric"
NO_BUILDING_EFFECT = eta_of(0.0010001)


def fixture(name: str) -> dict[str, list[Any]]:
    """One of the data sets shipped inside surpyval."""
    path = resources.files("surpyval") / "tests" / "reference" / "data" / "fixtures.json"
    columns: dict[str, list[Any]] = json.loads(path.read_text())[name]["columns"]
    return columns


def episodes_of(
    exit_age: Any,
    event: Any,
    x: Any = None,
    entry_age: Any = None,
    lower: Any = None,
    building: Any = None,
) -> Episodes:
    n = len(exit_age)
    columns = np.zeros((n, 0)) if x is None else np.asarray(x, float).reshape(n, -1)
    groups = np.zeros(n, dtype=np.int64) if building is None else np.asarray(building)
    order = np.argsort(groups, kind="stable")
    return Episodes(
        heater=np.arange(n),
        kind=np.zeros(n, dtype=np.int64),
        building=groups[order],
        entry_age=(np.zeros(n) if entry_age is None else np.asarray(entry_age, float))[order],
        exit_age=np.asarray(exit_age, float)[order],
        event=np.asarray(event, bool)[order],
        interval_lower=(np.full(n, np.nan) if lower is None else np.asarray(lower, float))[order],
        x=columns[order],
        node=np.zeros(n, dtype=np.int64),
        node_log_weight=np.zeros(n),
        heater_ids=tuple(range(n)),
        kinds=(KIND,),
        buildings=tuple(range(int(groups.max()) + 1)),
        covariates=tuple(f"x{j}" for j in range(columns.shape[1])),
    )


def target_of(episodes: Episodes) -> Target:
    """The likelihood with a prior that is taken out again below."""
    names = ("anode_spent",) * episodes.x.shape[1]
    prior = load_prior((KIND,), names)
    return build_target(episodes, prior, np.array([0]), np.arange(episodes.x.shape[1]))


def log_likelihood(target: Target, theta: np.ndarray) -> float:
    return float(target.many(theta[None, :])[0][0] - target.prior.at(theta[None, :])[0])


def most_likely(episodes: Episodes, median: float, free_dispersion: bool = False) -> tuple[np.ndarray, float]:
    """Maximum likelihood by the engine's value and gradient; (theta, log likelihood without building effect).

    With one building and no free dispersion the multiplier's mean is 1 at the maximum, so its weak effect
    vanishes there and the estimate is the plain one; its factor is swapped for exp(-E).
    """
    target = target_of(episodes)
    p = episodes.x.shape[1]
    start = np.concatenate(
        [[0.5, np.log(median)], np.zeros(p), [0.0 if free_dispersion else NO_BUILDING_EFFECT]]
    )

    def fall(free: np.ndarray) -> tuple[float, np.ndarray]:
        theta = free if free_dispersion else np.append(free, NO_BUILDING_EFFECT)
        point = target.point(theta)
        slope = point.gradient - target.prior.derivatives(theta)[0]
        value = point.value - float(target.prior.at(theta[None, :])[0])
        return -value, -(slope if free_dispersion else slope[:-1])

    first = start if free_dispersion else start[:-1]
    found = minimize(fall, first, jac=True, method="BFGS", options={"gtol": 1e-7, "maxiter": 500})
    theta = found.x if free_dispersion else np.append(found.x, NO_BUILDING_EFFECT)
    value = -float(found.fun)
    if not free_dispersion:
        exposure = target.point(theta).exposure
        c, d = 1 / float(dispersion_of(theta[-1])), target.failures
        factor = gammaln(c + d) - gammaln(c) + c * np.log(c) - (c + d) * np.log(c + exposure)
        value += float((-exposure - factor).sum())
    return theta, value


def check(theta: np.ndarray, shape: float, log_scale: float, beta: list[float], rel: float = 1e-4) -> None:
    k = np.exp(theta[0])
    assert k == pytest.approx(shape, rel=rel)
    assert theta[1] - LOG_LN2 / k == pytest.approx(log_scale, rel=rel)
    assert theta[2:-1] == pytest.approx(beta, rel=rel * 10, abs=1e-5)


def test_ovarian_survreg() -> None:
    """R survival: survreg(Surv(futime, fustat) ~ ecog.ps + rx, ovarian, dist = "weibull")."""
    data = fixture("ovarian")
    x = np.column_stack([data["ecog_ps"], data["rx"]])
    theta, value = most_likely(episodes_of(data["futime"], data["fustat"], x), 500.0)
    scale = 0.8838730717
    check(theta, 1 / scale, 6.8966931286, [0.3850425493 / scale, -0.5286454963 / scale])
    assert value == pytest.approx(-97.0844931684, abs=1e-4)


def test_lung_survreg() -> None:
    """R survival: survreg(Surv(time, status) ~ age + sex, lung, dist = "weibull")."""
    data = fixture("lung")
    centred = np.column_stack([np.array(data["age"]) - 60.0, np.array(data["sex"]) - 1.5])
    theta, value = most_likely(episodes_of(data["time"], 1 - np.array(data["c"]), centred), 300.0)
    scale, age, sex = 0.7540509476, -0.01225702559, 0.3820851397
    check(theta, 1 / scale, 6.274853058 + 60 * age + 1.5 * sex, [-age / scale, -sex / scale])
    assert value == pytest.approx(-1147.054431, abs=1e-3)


def test_interval_censored_survreg() -> None:
    """R survival 3.5.8: survreg(Surv(l2, r2, type = "interval2") ~ z, iv_d, "weibull").

    Data and reference values ship with surpyval (fixtures.json "interval", r_ph_aft.json "interval_weibull").
    """
    data = fixture("interval")
    left = np.array(data["left"], float)
    right = np.array([np.nan if r is None else r for r in data["right"]], float)
    exact, open_end = left == right, np.isnan(right)
    event = ~open_end
    lower = np.where(event & ~exact, left, np.nan)
    episodes = episodes_of(np.where(open_end, left, right), event, data["z"], lower=lower)
    theta, value = most_likely(episodes, 8.0)
    reference = json.loads(
        (resources.files("surpyval") / "tests" / "reference" / "data" / "r_ph_aft.json").read_text()
    )["references"]["interval_weibull"]["values"]
    scale = reference["scale"]
    check(theta, 1 / scale, reference["coef"][0], [-reference["coef"][1] / scale], rel=2e-4)
    assert value == pytest.approx(reference["loglik"], abs=1e-3)


def test_turbine_wheels_found_failed_or_not() -> None:
    """R survival: data turbine (432 wheels, 106 cracked, seen once each); all endings censored left or right.

    R: eta 46.77723025, beta 2.17577991, log likelihood -189.28719340.  The last group (46 hundred hours, 36 seen,
    21 cracked) is from memory and agrees with the totals.
    """
    hours = np.array([4, 10, 14, 18, 22, 26, 30, 34, 38, 42, 46], float)
    seen = np.array([39, 53, 33, 73, 30, 39, 42, 13, 34, 40, 36])
    failed = np.array([0, 4, 2, 7, 5, 9, 9, 6, 22, 21, 21])
    assert (seen.sum(), failed.sum()) == (432, 106)
    age = np.concatenate([np.repeat(hours, failed), np.repeat(hours, seen - failed)])
    event = np.arange(432) < 106
    theta, value = most_likely(episodes_of(age, event, lower=np.where(event, 0.0, np.nan)), 40.0)
    check(theta, 2.17577991, np.log(46.77723025), [])
    assert value == pytest.approx(-189.28719340, abs=1e-3)


def test_bearing_cages() -> None:
    """Meeker & Escobar, Statistical Methods for Reliability Data: 1703 bearing cages, staggered entry, 6 failures.

    Book: shape 2.035, scale 11792, 5.057 failures expected in the next 300 hours per unit.  The censoring table is
    from memory; it sums to 1703 units and gives the book's numbers.
    """
    running = {
        50: 288, 150: 148, 250: 124, 350: 111, 450: 106, 550: 99, 650: 110, 750: 114, 850: 119, 950: 127,
        1050: 123, 1150: 93, 1250: 47, 1350: 41, 1450: 27, 1550: 11, 1650: 6, 1850: 1, 2050: 2,
    }  # fmt: skip
    failed = [230, 334, 423, 990, 1009, 1510]
    age = np.concatenate([np.repeat(list(running), list(running.values())), failed]).astype(float)
    assert len(age) == 1703
    theta, _ = most_likely(episodes_of(age, np.arange(1703) >= 1697), 9000.0)
    check(theta, 2.03532, np.log(11792.18), [])
    k, scale = np.exp(theta[0]), np.exp(theta[1] - LOG_LN2 / np.exp(theta[0]))
    alive = age[:1697]
    expected = -np.expm1((alive / scale) ** k - ((alive + 300) / scale) ** k).sum()
    assert expected == pytest.approx(5.0582, abs=2e-3)


def test_delayed_entry_against_lifelines_and_surpyval() -> None:
    """Data: surpyval's left_truncation fixture; engines: lifelines WeibullAFTFitter(entry_col), surpyval WeibullPH(tl)."""
    import surpyval
    from lifelines import WeibullAFTFitter

    data = fixture("left_truncation")
    frame = pd.DataFrame(data).astype(float)
    theta, value = most_likely(
        episodes_of(frame["x"], frame["c"] == 0, frame["z"], entry_age=frame["tl"]), 4.0
    )
    k = np.exp(theta[0])
    frame["failed"] = 1 - frame["c"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        aft = WeibullAFTFitter().fit(
            frame[["x", "failed", "tl", "z"]], duration_col="x", event_col="failed", entry_col="tl"
        )
        other = surpyval.WeibullPH.fit(
            frame["x"].to_numpy(),
            Z=frame[["z"]].to_numpy(),
            c=frame["c"].to_numpy(dtype=int),
            tl=frame["tl"].to_numpy(),
        )
    assert k == pytest.approx(float(np.exp(aft.params_[("rho_", "Intercept")])), rel=1e-3)
    assert theta[2] == pytest.approx(-k * float(aft.params_[("lambda_", "z")]), rel=5e-3)
    assert theta[1] - LOG_LN2 / k == pytest.approx(float(aft.params_[("lambda_", "Intercept")]), rel=1e-3)
    assert value == pytest.approx(aft.log_likelihood_, abs=1e-3)
    scale, shape, effect = (float(v) for v in other.params)
    assert [k, np.exp(theta[1] - LOG_LN2 / k), theta[2]] == pytest.approx([shape, scale, effect], rel=2e-3)


def test_aids_cohort_with_delayed_entry_against_lifelines() -> None:
    """Data shipped by lifelines: multicenter AIDS cohort study, 78 men, left-truncated."""
    from lifelines import WeibullFitter
    from lifelines.datasets import load_multicenter_aids_cohort_study

    frame = load_multicenter_aids_cohort_study()
    theta, value = most_likely(episodes_of(frame["T"], frame["D"], entry_age=frame["W"]), 6.0)
    other = WeibullFitter().fit(frame["T"], frame["D"], entry=frame["W"])
    check(theta, other.rho_, float(np.log(other.lambda_)), [], rel=1e-3)
    assert value == pytest.approx(other.log_likelihood_, abs=1e-3)


def test_building_effect_against_surpyval_gamma_frailty() -> None:
    """Data: R survival's kidney (38 patients, two infections each); engine: surpyval WeibullFrailty."""
    import surpyval

    data = fixture("kidney")
    age = (np.array(data["age"], float) - 40) / 10
    x = np.column_stack([age, np.array(data["female"], float)])
    event, patient = np.array(data["c"]) == 0, np.array(data["id"]) - 1
    theta, _ = most_likely(episodes_of(data["time"], event, x, building=patient), 100.0, free_dispersion=True)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = surpyval.WeibullFrailty.fit(
            np.array(data["time"], float), Z=x, c=np.array(data["c"]), groups=np.array(data["id"])
        )
    assert float(dispersion_of(theta[-1])) == pytest.approx(other.theta, rel=5e-3)
    assert theta[2:-1] == pytest.approx(other.beta, rel=5e-3, abs=2e-3)


def test_cutting_lives_yearly_leaves_the_published_answer() -> None:
    """The ovarian fit again with every life cut in three: the answer is the same."""
    data = fixture("ovarian")
    days = np.array(data["futime"], float)
    x = np.column_stack([data["ecog_ps"], data["rx"]]).astype(float)
    whole = episodes_of(days, data["fustat"], x)
    third = np.repeat(np.arange(len(days)), 3)
    part = np.tile(np.arange(3), len(days))
    pieces = replace(
        whole,
        heater=third,
        kind=np.zeros(len(third), dtype=np.int64),
        building=np.zeros(len(third), dtype=np.int64),
        entry_age=days[third] * part / 3,
        exit_age=days[third] * (part + 1) / 3,
        event=(part == 2) & (np.array(data["fustat"])[third] == 1),
        interval_lower=np.full(len(third), np.nan),
        x=x[third],
        node=np.zeros(len(third), dtype=np.int64),
        node_log_weight=np.zeros(len(third)),
    )
    scale = 0.8838730717
    theta, value = most_likely(pieces, 500.0)
    check(theta, 1 / scale, 6.8966931286, [0.3850425493 / scale, -0.5286454963 / scale])
    assert value == pytest.approx(-97.0844931684, abs=1e-4)


def test_prior_terms_are_taken_out_whole() -> None:
    """What these tests subtract is the prior that the target adds."""
    target = target_of(episodes_of([1.0, 2.0], [1, 0]))
    theta = np.array([0.3, 0.9, 0.1])
    flat = replace(target, prior=PriorTerms(np.zeros(2), np.zeros((2, 2)), 0.0, 1e9))
    jacobian = flat.prior.at(theta[None, :])[0]
    assert log_likelihood(flat, theta) == pytest.approx(log_likelihood(target, theta))
    assert jacobian == pytest.approx(
        np.log(0.25) - np.log1p(0) + np.log(4 * 0.52497919 * 0.47502081), abs=1e-6
    )
