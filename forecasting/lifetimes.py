"""Published lifetimes and judged effects, combined into the prior of the lifetime model.

Published lives of one product differ by more than two, because they measure different things: opinion
surveys, stock and shipment models, survival fits, ages at insurance claims. Every row of
``fixtures/lifetimes.csv`` keeps its source, its definition and its status; rows that must not be mixed
(ages at a claim, figures from memory) stay in the table for display with weight 0.

How rows become a prior, per kind:

- A mean life is turned into a median with the prior's own shape k: ``median = mean * ln(2)^(1/k) / Gamma(1+1/k)``.
  Effective useful lives and judged medians are medians already.
- Mean of the log median: weighted mean of the logs. Spread: ``sqrt(between + definition^2 + extra^2)``, never
  below the floor, where `between` is the weighted variance of the logs *between* sources, not divided by the
  number of sources: which of them describes this estate is the unknown, and more opinions do not shrink it.
- Shapes are combined the same way.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

FIXTURES = Path(__file__).parent.parent / "fixtures"

KINDS: tuple[str, ...] = (
    "gas_storage_atmospheric",
    "gas_storage_power_vent",
    "gas_storage_condensing",
    "electric_storage",
    "heat_pump",
    "gas_tankless",
    "electric_tankless",
    "indirect_tank",
    "commercial_gas_storage",
    "commercial_electric_storage",
    "boiler_with_tank",
)

DISPERSION_BOUNDS = (0.001, 1.0)
DISPERSION_ROW = "building_dispersion"

LIFETIME_COLUMNS = (
    "row_id",
    "kinds",
    "quantity",
    "definition",
    "value",
    "unit",
    "weight",
    "source",
    "status",
)
EFFECT_COLUMNS = ("covariate", "mean", "sd", "unit", "source", "status")
QUANTITIES = frozenset(
    {
        "mean_life",
        "median_life",
        "shape",
        "life_sd_floor",
        "life_sd_definition",
        "life_sd_common",
        "life_sd_extra",
        "shape_sd_floor",
        "shape_sd_common",
    }
)

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Prior:
    """Prior of every parameter of the lifetime model, with the rows it was made of.

    Shapes: K kinds, P covariates. Medians in years.

    `log_median_sd` and `log_shape_sd` are *total* (marginal) standard deviations of each kind. The common
    parts are shared by all kinds and are inside those totals, so kinds i and j have covariance common^2;
    `log_median_covariance` and `log_shape_covariance` give the (K, K) matrices.
    `dispersion_median` is the median of the building effect's variance v, lognormal with spread
    `dispersion_log_sd`, to be bounded to `DISPERSION_BOUNDS`.
    `sources` holds every row, used or not: table, name, quantity, definition, value, sd, unit, weight, source,
    status, note.
    """

    kinds: tuple[str, ...]
    log_median_mean: FloatArray
    log_median_sd: FloatArray
    log_shape_mean: FloatArray
    log_shape_sd: FloatArray
    log_median_common_sd: float
    log_shape_common_sd: float
    covariates: tuple[str, ...]
    beta_mean: FloatArray
    beta_sd: FloatArray
    dispersion_median: float
    dispersion_log_sd: float
    sources: pd.DataFrame

    def log_median_covariance(self) -> FloatArray:
        """(K, K) prior covariance of the log medians: common^2 everywhere, sd^2 on the diagonal."""
        return _shared_covariance(self.log_median_sd, self.log_median_common_sd)

    def log_shape_covariance(self) -> FloatArray:
        """(K, K) prior covariance of the log shapes: common^2 everywhere, sd^2 on the diagonal."""
        return _shared_covariance(self.log_shape_sd, self.log_shape_common_sd)


def _shared_covariance(sd: FloatArray, common: float) -> FloatArray:
    covariance = np.full((len(sd), len(sd)), common**2)
    np.fill_diagonal(covariance, sd**2)
    return covariance


def read_lifetimes(path: Path | None = None) -> pd.DataFrame:
    """The shipped table of lifetimes (or the one at `path`), one row a published or judged figure."""
    return pd.read_csv(path or FIXTURES / "lifetimes.csv", keep_default_na=False)


def read_effects(path: Path | None = None) -> pd.DataFrame:
    """The shipped table of covariate effects on the log hazard (or the one at `path`)."""
    return pd.read_csv(path or FIXTURES / "effects.csv", keep_default_na=False)


def median_of_mean(mean_years: float | FloatArray, shape: float) -> float | FloatArray:
    """Median of a Weibull life with this mean and shape: mean * ln(2)^(1/k) / Gamma(1 + 1/k), in years."""
    ratio: float = math.log(2.0) ** (1.0 / shape) / math.gamma(1.0 + 1.0 / shape)
    if isinstance(mean_years, np.ndarray):
        return np.asarray(mean_years * ratio, dtype=np.float64)
    return mean_years * ratio


def delayed_weibull_survival(
    age_years: FloatArray | float, delay_years: float, shape: float, scale_years: float
) -> FloatArray:
    """Surviving share of the federal stock model's three-parameter Weibull.

    S(y) = 1 for y < delay, exp(-((y - delay) / scale)^shape) after it. Source: US EIA, National Energy
    Modeling System, residential module, function SVRTE.
    """
    if shape <= 0 or scale_years <= 0:
        raise ValueError(f"shape and scale_years must be above 0, not {shape} and {scale_years}")
    after = np.maximum(np.asarray(age_years, dtype=np.float64) - delay_years, 0.0)
    return np.asarray(np.exp(-((after / scale_years) ** shape)), dtype=np.float64)


def steady_state_age_shares(
    log_median_years: float, log_shape: float, edges_years: Sequence[float], growth_per_year: float = 0.0
) -> FloatArray:
    """Shares of a standing stock in age bins when every unit is renewed at its Weibull end of life.

    Density of age a in stock is proportional to exp(-growth * a) * S(a). `edges_years` are bin edges from 0
    upward; the last bin is open. Returns len(edges_years) shares that sum to 1.
    """
    shape = math.exp(log_shape)
    scale = math.exp(log_median_years) / math.log(2.0) ** (1.0 / shape)
    edges = np.asarray([*edges_years, max(edges_years[-1], scale) * 12.0], dtype=np.float64)
    shares = []
    for low, high in pairwise(edges):
        age = np.linspace(low, high, 2001)
        shares.append(
            np.trapezoid(
                np.exp(-growth_per_year * age) * delayed_weibull_survival(age, 0.0, shape, scale), age
            )
        )
    total = np.asarray(shares, dtype=np.float64)
    return np.asarray(total / total.sum(), dtype=np.float64)


def load_prior(
    kinds: Sequence[str],
    covariates: Sequence[str],
    lifetimes: pd.DataFrame | None = None,
    effects: pd.DataFrame | None = None,
) -> Prior:
    """The prior for these kinds and covariates, in this order.

    `lifetimes` and `effects` are frames with the columns of the shipped CSV files; None means the shipped
    ones. Raises ValueError naming row, column and value when a table is not usable, or when a kind or a
    covariate has no row of weight above 0.
    """
    lives = _checked_lifetimes(read_lifetimes() if lifetimes is None else lifetimes)
    judged = _checked_effects(read_effects() if effects is None else effects)

    shape_mean, shape_sd, shape_common = _shape_prior(lives)
    medians = [_life_prior(lives, kind, math.exp(shape_mean)) for kind in kinds]
    median_sd = np.array([sd for _, sd in medians], dtype=np.float64)
    life_common = _setting(lives, "life_sd_common")

    betas = [_effect(judged, covariate) for covariate in covariates]
    dispersion_median, dispersion_log_sd = _effect(judged, DISPERSION_ROW)
    if dispersion_median <= 0:
        raise ValueError(f"effects: row {DISPERSION_ROW}, column mean: {dispersion_median} must be above 0")
    return Prior(
        kinds=tuple(kinds),
        log_median_mean=np.array([mean for mean, _ in medians], dtype=np.float64),
        log_median_sd=median_sd,
        log_shape_mean=np.full(len(kinds), shape_mean),
        log_shape_sd=np.full(len(kinds), shape_sd),
        log_median_common_sd=min([life_common, *(0.95 * median_sd)]),
        log_shape_common_sd=min(shape_common, 0.95 * shape_sd),
        covariates=tuple(covariates),
        beta_mean=np.array([mean for mean, _ in betas], dtype=np.float64),
        beta_sd=np.array([sd for _, sd in betas], dtype=np.float64),
        dispersion_median=float(np.clip(dispersion_median, *DISPERSION_BOUNDS)),
        dispersion_log_sd=dispersion_log_sd,
        sources=_sources(lives, judged),
    )


def _shape_prior(lives: pd.DataFrame) -> tuple[float, float, float]:
    rows = lives[(lives["quantity"] == "shape") & (lives["weight"] > 0)]
    if rows.empty:
        raise ValueError("lifetimes: no row of quantity shape has a weight above 0; one is needed")
    mean, between = _weighted_log(rows)
    spread = max(math.sqrt(between), _setting(lives, "shape_sd_floor"))
    return mean, spread, _setting(lives, "shape_sd_common")


def _life_prior(lives: pd.DataFrame, kind: str, shape: float) -> tuple[float, float]:
    of_kind = lives[_names_kind(lives, kind)]
    rows = of_kind[of_kind["quantity"].isin(["mean_life", "median_life"]) & (of_kind["weight"] > 0)]
    if rows.empty:
        raise ValueError(
            f"lifetimes: no life with a weight above 0 for kind {kind!r}; known kinds are {', '.join(KINDS)}"
        )
    rows = rows.copy()
    as_median = median_of_mean(rows["value"].to_numpy(dtype=np.float64), shape)
    rows["value"] = np.where(rows["quantity"] == "median_life", rows["value"], as_median)
    mean, between = _weighted_log(rows)
    definition = _setting(lives, "life_sd_definition")
    extra = of_kind.loc[of_kind["quantity"] == "life_sd_extra", "value"].to_numpy(dtype=np.float64)
    spread = math.sqrt(between + definition**2 + float((extra**2).sum()))
    return mean, max(spread, _setting(lives, "life_sd_floor"))


def _weighted_log(rows: pd.DataFrame) -> tuple[float, float]:
    logs = np.log(rows["value"].to_numpy(dtype=np.float64))
    weights = rows["weight"].to_numpy(dtype=np.float64)
    mean = float(np.average(logs, weights=weights))
    return mean, float(np.average((logs - mean) ** 2, weights=weights))


def _names_kind(lives: pd.DataFrame, kind: str) -> FloatArray:
    return np.array([kind in str(named).split() for named in lives["kinds"]], dtype=bool)


def _setting(lives: pd.DataFrame, quantity: str) -> float:
    rows = lives[lives["quantity"] == quantity]
    if len(rows) != 1:
        raise ValueError(f"lifetimes: exactly one row of quantity {quantity} is needed, found {len(rows)}")
    return float(rows["value"].iloc[0])


def _effect(effects: pd.DataFrame, covariate: str) -> tuple[float, float]:
    rows = effects[effects["covariate"] == covariate]
    if len(rows) != 1:
        raise ValueError(f"effects: exactly one row for {covariate!r} is needed, found {len(rows)}")
    return float(rows["mean"].iloc[0]), float(rows["sd"].iloc[0])


def _checked_lifetimes(table: pd.DataFrame) -> pd.DataFrame:
    _need_columns(table, LIFETIME_COLUMNS, "lifetimes")
    table = table.copy()
    for column in ("value", "weight"):
        table[column] = _numbers(table, column, "row_id", "lifetimes")
    allowed = ", ".join(sorted(QUANTITIES))
    _refuse(
        table,
        ~table["quantity"].isin(list(QUANTITIES)),
        "row_id",
        "quantity",
        f"use one of {allowed}",
        "lifetimes",
    )
    _refuse(table, table["value"] <= 0, "row_id", "value", "must be above 0", "lifetimes")
    _refuse(table, table["weight"] < 0, "row_id", "weight", "must be 0 or more", "lifetimes")
    return table


def _checked_effects(table: pd.DataFrame) -> pd.DataFrame:
    _need_columns(table, EFFECT_COLUMNS, "effects")
    table = table.copy()
    for column in ("mean", "sd"):
        table[column] = _numbers(table, column, "covariate", "effects")
    _refuse(table, table["sd"] <= 0, "covariate", "sd", "must be above 0", "effects")
    return table


def _need_columns(table: pd.DataFrame, columns: Sequence[str], name: str) -> None:
    missing = [column for column in columns if column not in table.columns]
    if missing:
        raise ValueError(f"{name}: column {', '.join(missing)} is missing; needed are {', '.join(columns)}")


def _numbers(table: pd.DataFrame, column: str, label: str, name: str) -> pd.Series[float]:
    numbers = pd.to_numeric(table[column], errors="coerce")
    _refuse(table, ~np.isfinite(numbers), label, column, "must be a number", name)
    return numbers.astype(np.float64)


def _refuse(
    table: pd.DataFrame, bad: pd.Series[bool], label: str, column: str, wanted: str, name: str
) -> None:
    if bad.any():
        first = table[bad].iloc[0]
        raise ValueError(f"{name}: row {first[label]}, column {column}: {str(first[column])!r} {wanted}")


def _sources(lives: pd.DataFrame, effects: pd.DataFrame) -> pd.DataFrame:
    shown_lives = lives.rename(columns={"kinds": "name"}).assign(table="lifetimes", sd=np.nan)
    shown_effects = effects.rename(columns={"covariate": "name", "mean": "value"}).assign(
        table="effects",
        quantity="effect",
        definition="effect on the log hazard",
        weight=1.0,
        row_id=effects["covariate"],
    )
    columns = ["table", "row_id", "name", "quantity", "definition", "value", "sd", "unit", "weight"]
    columns += ["source", "status", "note"]
    parts = [part.reindex(columns=columns) for part in (shown_lives, shown_effects)]
    parts[0]["sd"] = parts[0]["sd"].astype(np.float64)
    return pd.concat(parts, ignore_index=True)
