"""The simple forecasts that ours has to beat: a plain Weibull fit, and the published table alone."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd

from forecasting.episodes import Episodes, FloatArray
from forecasting.lifetimes import Prior
from forecasting.observed import lives
from forecasting.posterior import Diagnostics, Posterior

STEEPEST_LOG_SHAPE = 3.0  # a shape above 20 is a fit that ran away


def _certain(prior: Prior, log_shape: FloatArray, log_scale: FloatArray, version: str) -> Posterior:
    """Parameters taken as certain, no covariates, no buildings."""
    count = len(prior.kinds)
    return Posterior(
        kinds=prior.kinds,
        covariates=prior.covariates,
        buildings=(),
        log_shape=np.asarray(log_shape, dtype=float)[None],
        log_scale=np.asarray(log_scale, dtype=float)[None],
        beta=np.zeros((1, len(prior.covariates))),
        dispersion=np.array([1e-6]),
        z=np.ones((1, 0)),
        building_failures=np.zeros(0, dtype=np.int64),
        building_exposure=np.zeros((1, 0)),
        diagnostics=Diagnostics(0.0, 1.0, "plain", True, 0, {}, (), np.ones(count)),
        seed=0,
        version=version,
    )


def published_table(prior: Prior) -> Posterior:
    """Each kind's published median life and the usual shape, whatever the record says."""
    log_scale = prior.log_median_mean - np.log(np.log(2)) * np.exp(-prior.log_shape_mean)
    return _certain(prior, prior.log_shape_mean, log_scale, "published table")


def plain_weibull(episodes: Episodes, prior: Prior) -> Posterior | None:
    """lifelines' WeibullAFTFitter with delayed entry, all kinds together, no covariates; None if it fails.

    It fails where failures are few: that is one of its properties as a forecast.
    """
    from lifelines import WeibullAFTFitter
    from lifelines.exceptions import ConvergenceError

    observed = lives(episodes)
    frame = pd.DataFrame(
        {
            "exit_age": np.maximum(observed.exit_age, observed.entry_age + 1e-3),
            "entry_age": observed.entry_age,
            "failed": observed.failed.astype(int),
        }
    )
    if observed.failed.sum() < 2:
        return None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            fitter = WeibullAFTFitter()
            fitter.fit(frame, "exit_age", "failed", entry_col="entry_age")
    except (ConvergenceError, ValueError, np.linalg.LinAlgError):
        return None
    scale = float(fitter.params_.loc[("lambda_", "Intercept")])
    shape = float(fitter.params_.loc[("rho_", "Intercept")])
    if not np.isfinite([scale, shape]).all() or shape > STEEPEST_LOG_SHAPE:
        return None
    count = len(prior.kinds)
    return _certain(prior, np.full(count, shape), np.full(count, scale), "plain Weibull")
