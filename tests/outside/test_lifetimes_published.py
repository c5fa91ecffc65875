"""The default lifetimes against national stock figures; the source stands beside each check."""

from math import gamma

import numpy as np
import pytest
from scipy.optimize import minimize

from forecasting import lifetimes

# US EIA, Residential Energy Consumption Survey 2015, Table HC8.6 (revised May 2018): million homes by age of the main
# water heater: under 2, 2-4, 5-9, 10-14, 15-19, 20 years and more.
RECS_2015 = np.array([16.1, 23.9, 37.8, 23.0, 8.9, 8.6])
EDGES = (0.0, 2.0, 5.0, 10.0, 15.0, 20.0)


def test_recs_shares() -> None:
    # The table's own arithmetic: shares in percent, and 34.2 % of heaters ten years old or more.
    shares = RECS_2015 / RECS_2015.sum()
    assert 100 * shares == pytest.approx([13.6, 20.2, 32.0, 19.4, 7.5, 7.3], abs=0.05)
    assert 100 * shares[3:].sum() == pytest.approx(34.2, abs=0.1)


def test_the_age_structure_of_the_default_lifetimes_is_near_that_of_recs_2015() -> None:
    # A stock of half gas, half electric storage (RECS 2015: 56.3 and 54.6 million homes), each renewed at the end
    # of its life. The survey's ages are self-reported and heaped at 5 to 9 years, the stock grew about 1 %
    # a year, and its shape is flatter (1.9 to 2.0) than ours for one kind: hence 7 points on a bin.
    prior = lifetimes.load_prior(["gas_storage_atmospheric", "electric_storage"], [])
    stock = np.mean(
        [
            lifetimes.steady_state_age_shares(median, shape, EDGES, growth_per_year=0.01)
            for median, shape in zip(prior.log_median_mean, prior.log_shape_mean, strict=True)
        ],
        axis=0,
    )
    surveyed = RECS_2015 / RECS_2015.sum()
    assert stock == pytest.approx(surveyed, abs=0.07)
    assert stock[3:].sum() == pytest.approx(0.342, abs=0.05)


def test_the_prior_predicts_the_age_structure_within_its_spread() -> None:
    # The share aged ten and over in RECS 2015 lies inside the central 80 % of what the prior thinks possible.
    prior = lifetimes.load_prior(["electric_storage"], [])
    generator = np.random.default_rng(20)
    shares = [
        lifetimes.steady_state_age_shares(
            generator.normal(prior.log_median_mean[0], prior.log_median_sd[0]),
            generator.normal(prior.log_shape_mean[0], prior.log_shape_sd[0]),
            EDGES,
        )[3:].sum()
        for _ in range(300)
    ]
    low, high = np.quantile(shares, [0.1, 0.9])
    assert low < 0.342 < high


def test_the_derived_rows_come_back_from_the_survey() -> None:
    # Our table marks these rows 'derived by us from published figures': maximum likelihood of the bins under a
    # density proportional to survival gives shape 1.94, scale 15.0, mean 13.3 (no growth).
    def misfit(parameters: np.ndarray) -> float:
        shape, scale = np.exp(parameters)
        median = np.log(scale) + np.log(np.log(2.0)) / shape
        return -float(RECS_2015 @ np.log(lifetimes.steady_state_age_shares(median, parameters[0], EDGES)))

    shape, scale = np.exp(minimize(misfit, [np.log(2.0), np.log(14.0)], method="Nelder-Mead").x)
    assert shape == pytest.approx(1.94, rel=0.01)
    assert scale == pytest.approx(15.0, rel=0.01)
    rows = lifetimes.read_lifetimes().set_index("row_id")["value"].astype(float)
    assert rows["shape_recs_zero_growth"] == pytest.approx(shape, rel=0.01)
    assert rows["storage_recs_zero_growth"] == pytest.approx(scale * gamma(1 + 1 / shape), rel=0.01)


def test_stock_over_inflow_lies_within_the_prior() -> None:
    # RECS 2015: 118.3 million homes over half of those under two years old = 14.7 years, a mean life of the stock.
    # US EIA 2023: mean life 14.5 (gas) and 15.1 (electric). US DOE 2009 market profile: 1 in 13 renewed a year.
    prior = lifetimes.load_prior(["gas_storage_atmospheric", "electric_storage"], [])
    ratio = lifetimes.median_of_mean(1.0, float(np.exp(prior.log_shape_mean[0])))
    for mean_life in (118.3 / (16.1 / 2), 14.5, 15.1, 13.0):
        z = (np.log(mean_life * ratio) - prior.log_median_mean) / prior.log_median_sd
        assert np.abs(z).max() < 1.0


@pytest.mark.parametrize("shape", [0.8, 1.0, 2.5, 4.0])
def test_delayed_weibull_of_the_federal_stock_model(shape: float) -> None:
    # US EIA, National Energy Modeling System, source resd.f, function SVRTE: S = 1 before the delay, and
    # exp(-((y - delay) / scale)^shape) after it, so exp(-1) at delay + scale for every shape.
    survival = lifetimes.delayed_weibull_survival(np.array([0.0, 2.9, 3.0, 3.0 + 11.0]), 3.0, shape, 11.0)
    assert survival == pytest.approx([1.0, 1.0, 1.0, np.exp(-1.0)])
    yearly = lifetimes.delayed_weibull_survival(np.arange(0.0, 200.0), 3.0, shape, 11.0)
    assert (np.diff(yearly) <= 0).all()
    # Retirements of a year are S(y - 1) - S(y) in the same source: over all years they are the whole cohort.
    assert -np.diff(yearly).sum() == pytest.approx(1.0, abs=1e-4)


def test_salinity_elasticity_kept_as_reference() -> None:
    # Colorado River salinity report 1978, Table 21: life falls as dissolved solids to the power -0.42435; its next
    # table gives mean lives 9.66 years at 500 and 7.79 at 735 mg/L. Ratio by the formula 0.849, observed 0.806.
    ratio = (735 / 500) ** -0.42435
    assert ratio == pytest.approx(0.849, abs=0.001)
    effects = lifetimes.read_effects().set_index("covariate")
    assert "-0.424" in effects.loc["hardness", "source"]
    # The published slope, as log hazard per 100 mg/L of dissolved solids with the prior's shape, is inside the prior.
    shape = float(np.exp(lifetimes.load_prior(["heat_pump"], []).log_shape_mean[0]))
    slope = shape * 0.42435 * np.log(735 / 500) / 2.35
    z = (slope - float(effects.loc["hardness", "mean"])) / float(effects.loc["hardness", "sd"])
    assert abs(z) < 1.0
