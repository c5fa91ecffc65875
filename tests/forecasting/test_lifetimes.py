"""The prior: made of sourced rows, wide where sources disagree, clear about unusable tables."""

import numpy as np
import pandas as pd
import pytest

from forecasting import lifetimes
from forecasting.episodes import COVARIATES

STATUSES = {
    "published, read",
    "published, read second-hand",
    "from memory, not verified",
    "engineering judgement",
    "derived by us from published figures",
}


def test_every_kind_and_covariate_has_a_prior_in_the_order_asked() -> None:
    prior = lifetimes.load_prior(lifetimes.KINDS, COVARIATES)
    assert prior.kinds == lifetimes.KINDS
    assert prior.covariates == COVARIATES
    assert prior.log_median_mean.shape == prior.log_shape_sd.shape == (11,)
    assert (prior.beta_sd > 0).all()
    turned = lifetimes.load_prior(lifetimes.KINDS[::-1], COVARIATES[::-1])
    assert turned.log_median_mean == pytest.approx(prior.log_median_mean[::-1])
    assert turned.beta_mean == pytest.approx(prior.beta_mean[::-1])


def test_covariances_are_proper_and_tie_kinds_together() -> None:
    prior = lifetimes.load_prior(lifetimes.KINDS, COVARIATES)
    for covariance, sd in (
        (prior.log_median_covariance(), prior.log_median_sd),
        (prior.log_shape_covariance(), prior.log_shape_sd),
    ):
        assert np.linalg.eigvalsh(covariance).min() > 0
        assert np.sqrt(np.diag(covariance)) == pytest.approx(sd)
        assert (covariance > 0).all()


def test_every_row_says_where_it_comes_from() -> None:
    rows = lifetimes.load_prior(lifetimes.KINDS, COVARIATES).sources
    assert set(rows["status"]) <= STATUSES
    assert (rows["source"].str.len() > 0).all()
    assert not rows["row_id"].duplicated().any()
    unverified = rows[rows["status"] == "from memory, not verified"]
    assert len(unverified) > 0
    assert (unverified["weight"] == 0).all()


def test_the_spread_holds_the_disagreement_between_sources() -> None:
    lives = lifetimes.read_lifetimes()
    prior = lifetimes.load_prior(["gas_storage_atmospheric"], [])
    shown = lives[lives["kinds"].str.contains("gas_storage_atmospheric") & (lives["weight"] > 0)]
    values = shown.loc[shown["quantity"].isin(["mean_life", "median_life"]), "value"].astype(float)
    z = (np.log([values.min(), values.max()]) - prior.log_median_mean[0]) / prior.log_median_sd[0]
    assert np.abs(z).max() < 2.2
    agreeing = lives.copy()
    agreeing.loc[shown.index, "value"] = 13.0
    narrower = lifetimes.load_prior(["gas_storage_atmospheric"], [], agreeing)
    assert narrower.log_median_sd[0] < prior.log_median_sd[0]
    assert narrower.log_median_sd[0] >= 0.25


def test_an_edited_row_moves_the_prior_and_claims_are_never_mixed_in() -> None:
    lives = lifetimes.read_lifetimes()
    before = lifetimes.load_prior(["heat_pump"], [], lives).log_median_mean[0]
    lives.loc[lives["row_id"] == "heat_pump_epa_2013", "value"] = 18
    assert lifetimes.load_prior(["heat_pump"], [], lives).log_median_mean[0] > before
    assert (lives.loc[lives["row_id"] == "storage_claims", "weight"].astype(float) == 0).all()


def test_a_mean_is_not_a_median() -> None:
    draws = np.random.default_rng(4).weibull(2.5, 200_000) * 10
    assert lifetimes.median_of_mean(float(draws.mean()), 2.5) == pytest.approx(np.median(draws), rel=0.01)


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("value", "long", "row gas_eia_2023, column value: 'long' must be a number"),
        ("value", -3, "row gas_eia_2023, column value: '-3.0' must be above 0"),
        ("weight", -1, "row gas_eia_2023, column weight: '-1.0' must be 0 or more"),
        ("quantity", "guess", "row gas_eia_2023, column quantity: 'guess' use one of"),
    ],
)
def test_an_unusable_row_is_named(column: str, value: object, words: str) -> None:
    lives = lifetimes.read_lifetimes().astype(object)
    lives.loc[lives["row_id"] == "gas_eia_2023", column] = value
    with pytest.raises(ValueError, match=words):
        lifetimes.load_prior(["heat_pump"], [], lives)


def test_missing_kinds_columns_and_effects_are_named() -> None:
    with pytest.raises(ValueError, match=r"'steam'.*boiler_with_tank"):
        lifetimes.load_prior(["steam"], [])
    with pytest.raises(ValueError, match=r"'moon'"):
        lifetimes.load_prior(["heat_pump"], ["moon"])
    with pytest.raises(ValueError, match="column weight is missing"):
        lifetimes.load_prior(["heat_pump"], [], lifetimes.read_lifetimes().drop(columns="weight"))
    effects = lifetimes.read_effects()
    effects.loc[0, "sd"] = 0.0
    with pytest.raises(ValueError, match="row anode_spent, column sd"):
        lifetimes.load_prior(["heat_pump"], [], None, effects)
    lives = lifetimes.read_lifetimes()
    shapeless = pd.DataFrame(lives[lives["quantity"] != "shape"])
    with pytest.raises(ValueError, match="quantity shape"):
        lifetimes.load_prior(["heat_pump"], [], shapeless)


def test_age_shares_of_a_stock_sum_to_one_and_age_with_life() -> None:
    edges = (0.0, 2.0, 5.0, 10.0, 15.0, 20.0)
    young = lifetimes.steady_state_age_shares(np.log(8.0), np.log(2.5), edges)
    old = lifetimes.steady_state_age_shares(np.log(16.0), np.log(2.5), edges)
    assert young.sum() == pytest.approx(1.0)
    assert old[-2:].sum() > young[-2:].sum()
