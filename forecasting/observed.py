"""What the record shows, beside what the model says: survival curves, endings, observed against expected."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from typing import Literal

import numpy as np
import pandas as pd

from forecasting.episodes import BoolArray, Episodes, FloatArray, IntArray, Records
from forecasting.posterior import Posterior
from forecasting.risk import pick_draws
from forecasting.states import calendar_year_of, calendar_years

By = Literal["age", "year", "kind", "property"]
AGE_BANDS = (0.0, 2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 30.0, 120.0)
CHECK_DRAWS = 200
FEWEST_AT_RISK = 5


@dataclass(frozen=True)
class Lives:
    """One row a heater: kind, age when observation began and ended, whether it failed, and where it stands."""

    heater: IntArray
    kind: IntArray
    entry_age: FloatArray
    exit_age: FloatArray
    failed: BoolArray


def lives(episodes: Episodes) -> Lives:
    """Each heater's observed stretch of life, at its most likely install date."""
    count = len(episodes.heater_ids)
    best = np.full(count, -np.inf)
    np.maximum.at(best, episodes.heater, episodes.node_log_weight)
    node = np.full(count, np.iinfo(np.int64).max)
    likely = episodes.node_log_weight >= best[episodes.heater] - 1e-12
    np.minimum.at(node, episodes.heater[likely], episodes.node[likely])
    rows = np.flatnonzero(episodes.node == node[episodes.heater])
    heater = episodes.heater[rows]
    entry, exit_age = np.full(count, np.inf), np.zeros(count)
    np.minimum.at(entry, heater, episodes.entry_age[rows])
    np.maximum.at(exit_age, heater, episodes.exit_age[rows])
    failed = np.zeros(count, dtype=bool)
    np.logical_or.at(failed, heater, episodes.event[rows])
    kind = np.zeros(count, dtype=np.int64)
    kind[heater] = episodes.kind[rows]
    return Lives(np.arange(count), kind, entry, exit_age, failed)


def _first_age(entry: FloatArray, exit_age: FloatArray) -> float:
    """Youngest age from which on enough heaters are watched: a curve that starts on two heaters says nothing."""
    for age in np.sort(entry):
        if int(((entry <= age) & (exit_age > age)).sum()) >= min(FEWEST_AT_RISK, len(entry)):
            return float(age)
    return float(entry.min(initial=0.0))


def survival_curve(episodes: Episodes, kind: str | None = None) -> pd.DataFrame:
    """Kaplan-Meier curve with delayed entry, by lifelines: age, survival, low, high (80 %), at_risk.

    Conditional on the first age at which five heaters are under observation (``attrs['from_age']``); heaters
    retired in other ways leave observation.  Empty for a kind without heaters.  Raises ValueError for a kind
    that is not in ``episodes.kinds``.
    """
    from lifelines import KaplanMeierFitter

    entry, exit_age, failed = _chosen(episodes, kind)
    columns = ["age", "survival", "low", "high", "at_risk"]
    if not len(entry):
        return pd.DataFrame(columns=columns)
    start = _first_age(entry, exit_age)
    keep = exit_age > start
    if not keep.any():
        return pd.DataFrame(columns=columns)
    entry, exit_age, failed = np.maximum(entry[keep], start), exit_age[keep], failed[keep]
    fitter = KaplanMeierFitter(alpha=0.2)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitter.fit(exit_age, failed, entry=np.where(entry <= start, 0.0, entry))
    curve = fitter.survival_function_.iloc[:, 0]
    band = fitter.confidence_interval_survival_function_
    frame = pd.DataFrame({"age": curve.index, "survival": curve.to_numpy()})
    frame["low"], frame["high"] = band.iloc[:, 0].to_numpy(), band.iloc[:, 1].to_numpy()
    frame["at_risk"] = fitter.event_table["at_risk"].reindex(curve.index).to_numpy()
    frame = frame[frame["age"] >= start].reset_index(drop=True)
    frame.attrs["from_age"] = start
    return frame


def _chosen(episodes: Episodes, kind: str | None) -> tuple[FloatArray, FloatArray, BoolArray]:
    observed = lives(episodes)
    if kind is not None and kind not in episodes.kinds:
        raise ValueError(f"kind {kind!r} is not on record; there are {', '.join(episodes.kinds)}")
    chosen = observed.kind >= 0 if kind is None else observed.kind == episodes.kinds.index(kind)
    return observed.entry_age[chosen], observed.exit_age[chosen], observed.failed[chosen]


def endings_curve(episodes: Episodes, records: Records) -> pd.DataFrame:
    """Share ended by age and cause, with causes competing (Aalen-Johansen with delayed entry, by lifelines).

    Returns age, failed, otherwise (replaced as planned, converted, removed), both conditional on the first
    age with five heaters under observation.  The failure share is not 1 - Kaplan-Meier: heaters replaced
    early can no longer fail.
    """
    from lifelines import AalenJohansenFitter

    observed = lives(episodes)
    ids = np.array(episodes.heater_ids, dtype=np.int64)
    endings = records.heaters.set_index("heater_id")["ending"].reindex(ids).fillna("").to_numpy(dtype=object)
    ended = _ended_by(records, ids)
    cause = np.where(observed.failed, 1, np.where((endings != "") & ended, 2, 0))
    start = _first_age(observed.entry_age, observed.exit_age)
    keep = observed.exit_age > start
    entry = np.maximum(observed.entry_age[keep], start)
    entry = np.where(entry <= start, 0.0, entry)
    curves = []
    for code, name in ((1, "failed"), (2, "otherwise")):
        if not (cause[keep] == code).any():
            continue
        fitter = AalenJohansenFitter(calculate_variance=False, seed=0)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # tied ages are jittered, with the seed above
            fitter.fit(observed.exit_age[keep], cause[keep], event_of_interest=code, entry=entry)
        curves.append(fitter.cumulative_density_.iloc[:, 0].rename(name))
    if not curves:
        return pd.DataFrame({"age": [start], "failed": [0.0], "otherwise": [0.0]})
    frame = pd.concat(curves, axis=1).sort_index().ffill().fillna(0.0)
    frame = frame.reindex(columns=["failed", "otherwise"], fill_value=0.0)
    return pd.DataFrame(frame[frame.index >= start].rename_axis("age").reset_index())


def _ended_by(records: Records, ids: IntArray) -> BoolArray:
    late = records.heaters.set_index("heater_id")["ended_earliest"].reindex(ids)
    return (pd.to_datetime(late) <= pd.Timestamp(records.as_of)).to_numpy(dtype=bool)


@dataclass(frozen=True)
class _Cut:
    """Exposure by bin: bins are ages, or calendar years when ``offset`` is the install date."""

    exposure: FloatArray  # (M,)
    observed: FloatArray  # (M,)
    expected: FloatArray  # (M, D)


@dataclass(frozen=True)
class _Rates:
    """Per row (n, D): shape, and the factor that turns grown powers of age into expected failures."""

    shape: FloatArray
    rate: FloatArray
    log_rate: FloatArray


def _rates(posterior: Posterior, episodes: Episodes, draws: IntArray) -> _Rates:
    kinds = np.array([posterior.kinds.index(kind) for kind in episodes.kinds])[episodes.kind]
    place = {building: index for index, building in enumerate(posterior.buildings)}
    column = np.array([place.get(building, -1) for building in episodes.buildings])[episodes.building]
    known_z = np.where(column[:, None] >= 0, posterior.z[draws].T[column], 1.0)
    shape = np.exp(posterior.log_shape[draws])[:, kinds].T
    log_rate = episodes.x @ posterior.beta[draws].T - shape * posterior.log_scale[draws][:, kinds].T
    log_rate += np.log(known_z)
    return _Rates(shape, np.exp(log_rate), log_rate)


def date_weights(posterior: Posterior, episodes: Episodes, most_draws: int = CHECK_DRAWS) -> FloatArray:
    """Weight of each row's possible install date given all that the record shows, averaged over the draws; (n,).

    Rows of heaters with a known date weigh 1.  The weights before the record (``node_log_weight``) would count
    too much exposure at old ages: a heater that goes on working is likelier to be the younger one.
    """
    vague = np.flatnonzero(episodes.node_log_weight != 0)
    weight = np.ones(len(episodes.heater))
    if not len(vague):
        return weight
    part = _subset(episodes, np.isin(np.arange(len(weight)), vague))
    rates = _rates(posterior, part, pick_draws(posterior, most_draws))
    grown = part.exit_age[:, None] ** rates.shape - part.entry_age[:, None] ** rates.shape
    growth = np.log(rates.shape) + rates.log_rate + (rates.shape - 1) * np.log(part.exit_age)[:, None]
    value = np.where(part.event[:, None], growth, 0.0) - rates.rate * grown
    starts = np.flatnonzero((np.diff(part.heater, prepend=-1) != 0) | (np.diff(part.node, prepend=-1) != 0))
    life = np.add.reduceat(value, starts, axis=0) + part.node_log_weight[starts][:, None]
    of_heater = np.flatnonzero(np.diff(part.heater[starts], prepend=-1))
    sizes = np.diff(np.append(of_heater, len(starts)))
    share = np.exp(life - np.repeat(np.maximum.reduceat(life, of_heater, axis=0), sizes, axis=0))
    share /= np.repeat(np.add.reduceat(share, of_heater, axis=0), sizes, axis=0)
    weight[vague] = np.repeat(share.mean(axis=1), np.diff(np.append(starts, len(part.heater))))
    return weight


def _cut(
    posterior: Posterior, episodes: Episodes, edges: FloatArray, offset: FloatArray, weight: FloatArray
) -> _Cut:
    rates = _rates(posterior, episodes, pick_draws(posterior, CHECK_DRAWS))
    shape, rate = rates.shape, rates.rate * weight[:, None]
    bins = len(edges) - 1
    exposure, observed = np.zeros(bins), np.zeros(bins)
    expected = np.zeros((bins, shape.shape[1]))
    for b in range(bins):
        low = np.maximum(episodes.entry_age, edges[b] - offset)
        high = np.minimum(episodes.exit_age, edges[b + 1] - offset)
        inside = np.flatnonzero(high > low)
        exposure[b] = (weight[inside] * (high - low)[inside]).sum()
        k = shape[inside]
        grown = high[inside, None] ** k - np.maximum(low[inside, None], 0) ** k
        expected[b] = (rate[inside] * grown).sum(axis=0)
        at = episodes.exit_age + offset
        observed[b] = weight[episodes.event & (at > edges[b]) & (at <= edges[b + 1])].sum()
    return _Cut(exposure, observed, expected)


def observed_against_expected(
    posterior: Posterior, episodes: Episodes, records: Records, by: By = "age"
) -> pd.DataFrame:
    """Failures on record against failures the model expects over the same exposure.

    Returns group, exposure_years, observed, expected, expected_p10, expected_p90 (over the draws), ratio
    (observed / expected), ratio_low, ratio_high (exact 80 % Poisson limits on the observed count).  Vague
    install dates count at their weights, so ``observed`` by age or year need not be whole.  In-sample: it
    shows where the shape is wrong; whether the forecast can be trusted is for the back-test.
    Raises ValueError for an unknown ``by``.
    """
    none, weight = np.zeros(len(episodes.heater)), date_weights(posterior, episodes)
    parts: list[tuple[str, _Cut]] = []
    if by == "age":
        edges = np.array(AGE_BANDS)
        cut = _cut(posterior, episodes, edges, none, weight)
        names = [f"{low:.0f} to {high:.0f}" for low, high in pairwise(edges)]
        names[-1] = f"{edges[-2]:.0f} and over"
        return _table(names, cut)
    if by == "year":
        installed = _installed(episodes, records)
        # Decimal years since 1970 and calendar years differ by hours: the bins begin on 1 January.
        oldest = float((installed + episodes.entry_age).min(initial=calendar_year_of(records.as_of)))
        years = np.arange(1970 + int(np.floor(oldest)), records.as_of.year + 2)
        edges = np.array([calendar_year_of(date(int(year), 1, 1)) for year in years])
        return _table([str(year) for year in years[:-1]], _cut(posterior, episodes, edges, installed, weight))
    if by == "kind":
        for index, kind in enumerate(episodes.kinds):
            parts.append((kind, _whole(posterior, episodes, episodes.kind == index, weight)))
    elif by == "property":
        ids = np.array(episodes.heater_ids, dtype=np.int64)
        owner = records.heaters.set_index("heater_id")["property_id"].reindex(ids).to_numpy(dtype=np.int64)
        for property_id in np.unique(owner):
            rows = owner[episodes.heater] == property_id
            parts.append((str(property_id), _whole(posterior, episodes, rows, weight)))
    else:
        raise ValueError(f"by {by!r}: choose age, year, kind or property")
    merged = _Cut(
        np.concatenate([cut.exposure for _, cut in parts]) if parts else np.zeros(0),
        np.concatenate([cut.observed for _, cut in parts]) if parts else np.zeros(0),
        np.concatenate([cut.expected for _, cut in parts]) if parts else np.zeros((0, 1)),
    )
    return _table([name for name, _ in parts], merged)


def _whole(posterior: Posterior, episodes: Episodes, rows: BoolArray, weight: FloatArray) -> _Cut:
    edges = np.array([0.0, 1000.0])
    return _cut(posterior, _subset(episodes, rows), edges, np.zeros(int(rows.sum())), weight[rows])


def _subset(episodes: Episodes, rows: BoolArray) -> Episodes:
    names = ("heater", "kind", "building", "entry_age", "exit_age", "event", "interval_lower", "x", "node")
    picked = {name: getattr(episodes, name)[rows] for name in names}
    return replace(episodes, node_log_weight=episodes.node_log_weight[rows], **picked)


def _installed(episodes: Episodes, records: Records) -> FloatArray:
    """Install date, in calendar years, of each row's heater and node."""
    heaters = records.heaters.set_index("heater_id").reindex(np.array(episodes.heater_ids, dtype=np.int64))
    today = calendar_year_of(records.as_of)
    ended = calendar_years(heaters["ended_latest"])
    end = np.where(np.isnan(ended), today, np.minimum(ended, today))
    nodes = int(episodes.node.max(initial=0)) + 1
    key = episodes.heater * nodes + episodes.node
    last = np.zeros(len(heaters) * nodes)
    np.maximum.at(last, key, episodes.exit_age)
    return np.asarray(end[episodes.heater] - last[key])


def poisson_limits(observed: FloatArray, level: float = 0.8) -> tuple[FloatArray, FloatArray]:
    """Exact limits of a Poisson mean, by the chi-squared relation (Garwood 1936, Biometrika 28:437-442)."""
    from scipy.stats import chi2

    tail = (1 - level) / 2
    count = np.asarray(observed, dtype=float)
    low = np.where(count > 0, chi2.ppf(tail, 2 * np.maximum(count, 1e-9)) / 2, 0.0)
    return np.asarray(low), np.asarray(chi2.ppf(1 - tail, 2 * (count + 1)) / 2)


def _table(names: Sequence[str], cut: _Cut) -> pd.DataFrame:
    expected = cut.expected.mean(axis=1)
    low, high = poisson_limits(cut.observed)
    base = np.maximum(expected, 1e-12)
    frame = pd.DataFrame(
        {
            "group": list(names),
            "exposure_years": cut.exposure,
            "observed": cut.observed,
            "expected": expected,
            "expected_p10": np.quantile(cut.expected, 0.1, axis=1),
            "expected_p90": np.quantile(cut.expected, 0.9, axis=1),
            "ratio": cut.observed / base,
            "ratio_low": low / base,
            "ratio_high": high / base,
        }
    )
    return frame[frame["exposure_years"] > 0].reset_index(drop=True)


def model_curve(posterior: Posterior, episodes: Episodes, kind: str, ages: FloatArray) -> pd.DataFrame:
    """The model's survival over ``ages`` (rising, years) for the heaters that were at risk at each age.

    S = exp(-sum of mean hazard x width), the mean over the heaters under observation at that age, so it is
    comparable with ``survival_curve``: age, survival, p10, p90; conditional on ages[0].
    """
    rows = episodes.kind == episodes.kinds.index(kind)
    weight = date_weights(posterior, episodes)[rows]
    cut = _cut(posterior, _subset(episodes, rows), ages, np.zeros(int(rows.sum())), weight)
    hazard = cut.expected / np.maximum(cut.exposure, 1e-12)[:, None] * np.diff(ages)[:, None]
    survival = np.exp(-np.concatenate([np.zeros((1, hazard.shape[1])), hazard.cumsum(axis=0)]))
    low, high = np.quantile(survival, [0.1, 0.9], axis=1)
    return pd.DataFrame({"age": ages, "survival": survival.mean(axis=1), "p10": low, "p90": high})
