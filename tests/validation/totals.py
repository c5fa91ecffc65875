"""Ten-year totals on simulated fleets: the engine, a plain Weibull fit, the true model and other limits side by side.

    python -m tests.validation.totals --fleets 60
    python -m tests.validation.totals --fleets 20 --sizes 100 450 --records 3 --prior-off
    python -m tests.validation.totals --fleets 24 --sizes 450 --records 3 --year-unknown --young-share 0.5
    python -m tests.validation.totals --fleets 60 --sizes 450 --records 3 --limits

Prints per cell: bias (median and mean) and mean absolute error of the expected ten-year total against the true
model's, coverage of 80 % intervals (fleet and property), ranked probability scores above the true model's and as
shares of plain's, spread of the yearly PIT, ranking.  ``se`` is one Monte Carlo error, that of a median
1.25 sd / sqrt(n).  "owned MAE" is the mean error to which a forecaster owns up: what its spread holds beyond
chance, times sqrt(2 / pi); for who is told the law it is the limit itself, and few fleets say it well.

The true model knows every building's multiplier and every rod's hidden life.  With ``--limits``: who is told the
law and sees the record alone (``told``); the engine's form with its parameters at their best, the buildings alone
learned; the engine with its prior centred on that (both ``limits``).
"""

from __future__ import annotations

import argparse
import json
import time
import warnings
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from forecasting.episodes import COVARIATES, FutureStates, Records, build_episodes, future_states
from forecasting.lifetimes import Prior, load_prior
from forecasting.posterior import VERSION, Diagnostics, Posterior, fit
from forecasting.renewal import Prices, replacement_streams
from forecasting.scores import crps_of_paths, randomised_pit, ranking
from tests.validation.limits import at_centre, centred
from tests.validation.simulator import AS_OF, KINDS, Fleet, Truth, future_failures, make_fleet
from tests.validation.told import told_paths

YEARS = 10
TRUE_PATHS, TOLD_PATHS = 300, 600
Array = npt.NDArray[np.float64]


@dataclass
class Result:
    """One fleet's scores under one forecaster."""

    relative_error: float  # of the expected total
    spread: float  # standard deviation of the total over its mean
    covered: float
    property_covered: list[float]
    crps_total: float
    crps_yearly: float
    pit: list[float]
    ranking: float


def plain_fit(records: Records) -> Posterior | None:
    """lifelines' Weibull accelerated-life fit with delayed entry, kind as the only covariate; None = failed."""
    from lifelines import WeibullAFTFitter

    heaters = records.heaters
    installed = (
        heaters["installed_earliest"] + (heaters["installed_latest"] - heaters["installed_earliest"]) / 2
    )
    days = 365.2425
    end = heaters["ended_latest"].fillna(pd.Timestamp(AS_OF))
    entry = ((heaters["record_start"] - installed).dt.days / days).clip(lower=0)
    frame = pd.DataFrame(
        {
            "duration": np.maximum((end - installed).dt.days / days, entry + 0.005),
            "entry": entry,
            "event": (heaters["ending"] == "tank_leak").astype(int),
            "other": (heaters["kind"] == KINDS[1]).astype(float),
        }
    )
    covariates = ["other"] if 0 < frame["other"].mean() < 1 else []
    try:
        fitter = WeibullAFTFitter()
        fitter.fit(frame[["duration", "entry", "event", *covariates]], "duration", "event", entry_col="entry")
    except Exception:  # a fit that fails is one of the outcomes counted here
        return None
    scale = float(fitter.params_["lambda_", "Intercept"])
    shape = float(fitter.params_["rho_", "Intercept"])
    shift = float(fitter.params_["lambda_", "other"]) if covariates else 0.0
    if not np.isfinite([scale, shape, shift]).all() or shape > 4 or abs(scale) > 8:
        return None
    return one_draw(np.array([shape, shape]), np.array([scale, scale + shift]))


def one_draw(log_shape: Array, log_scale: Array) -> Posterior:
    """Parameters taken as certain."""
    return Posterior(
        KINDS, COVARIATES, (1,), log_shape[None], log_scale[None], np.zeros((1, len(COVARIATES))),
        np.array([1e-3]), np.ones((1, 1)), np.zeros(1, np.int64), np.ones((1, 1)),
        Diagnostics(0.0, 1.0, "plain", True, 0, {}, (), np.zeros(2)), 0, "plain",
    )  # fmt: skip


def paths_of(
    posterior: Posterior, states: FutureStates, properties: npt.NDArray[np.int64], paths: int
) -> Array:
    """(R, T, G) failures."""
    count = int(properties.max()) + 1
    prices = Prices(np.zeros(2), np.zeros(2))
    streams = replacement_streams(
        posterior, states, np.arange(YEARS + 1.0), properties, count, prices, np.array([0, 1]), paths, seed=5
    )
    return streams.failures.astype(float)


def score(paths: Array, truth: Array, world: Array, chance: Array, failed: Array, seed: int) -> Result:
    """``paths`` and ``truth`` (R, T, G), ``world`` (T, G).

    Coverage and scores are averaged over all the futures that the true law allows this fleet, not over one
    of them, which takes most of the noise out of the comparison.
    """
    total, actual = paths.sum(axis=(1, 2)), truth.sum(axis=(1, 2))
    by_property, property_actual = paths.sum(axis=1), truth.sum(axis=1)
    yearly, year_actual = paths.sum(axis=2), truth.sum(axis=2)
    return Result(
        relative_error=float(total.mean() / actual.mean() - 1),
        spread=float(total.std() / total.mean()),
        covered=covered(total, actual, seed),
        property_covered=[
            covered(by_property[:, g], property_actual[:, g], seed) for g in range(world.shape[1])
        ],
        crps_total=expected_crps(total, actual),
        crps_yearly=float(np.mean([expected_crps(yearly[:, t], year_actual[:, t]) for t in range(YEARS)])),
        pit=randomised_pit(yearly, world.sum(axis=1), seed + 2).tolist(),
        ranking=ranking(chance, failed > 0),
    )


def covered(paths: Array, actual: Array, seed: int) -> float:
    """Share of futures whose randomised PIT lies in the middle 80 %: whole numbers would make plain
    intervals too wide."""
    ordered = np.sort(paths)
    below = np.searchsorted(ordered, actual, "left") / len(paths)
    at = np.searchsorted(ordered, actual, "right") / len(paths) - below
    pit = below + np.random.default_rng(seed).random(len(actual)) * at
    return float(np.mean((pit >= 0.1) & (pit <= 0.9)))


def expected_crps(paths: Array, actual: Array) -> float:
    return float(crps_of_paths(np.repeat(paths[:, None], len(actual), axis=1), actual).mean())


def one_fleet(
    size: int, record_years: float, seed: int, prior: Prior, law: Truth, year_known: bool, limit: Prior | None
) -> tuple[dict[str, Result | None], int]:
    """Every forecaster on one fleet; the number of failures on record.  ``limit`` is the prior centred on the truth."""
    fleet: Fleet = make_fleet(size, record_years, seed, law)
    future = future_failures(fleet, YEARS, TRUE_PATHS + 1, seed)
    properties = fleet.places.property_id
    world, truth = _by_property(future[:1], properties)[0], _by_property(future[1:], properties)
    records = fleet.records
    if not year_known:
        records = replace(records, heaters=records.heaters.drop(columns="building_built"))
    episodes, plain = build_episodes(records, KINDS), plain_fit(records)
    posterior = fit(episodes, prior, 1000, seed)
    states = future_states(records, KINDS, posterior.buildings, YEARS)
    plain_states = replace(states, building=np.zeros_like(states.building), x=np.zeros_like(states.x))
    place = states.position_id - 1
    first = future[0].sum(axis=0)[place].astype(float)
    candidates = {"engine": (posterior, states), "plain Weibull": (plain, plain_states)}
    knowing = {"true model": future[1:]}
    if limit is not None:
        knowing["law told"] = told_paths(fleet, YEARS, TOLD_PATHS, seed)
        candidates["form at its best"] = (at_centre(posterior, episodes, limit), states)
        candidates["prior centred"] = (fit(episodes, limit, 1000, seed), states)
    answers: dict[str, Result | None] = {}
    for name, paths in knowing.items():
        chance = (paths.sum(axis=1) > 0).mean(axis=0)[place]
        answers[name] = score(_by_property(paths, properties), truth, world, chance, first, seed)
    for name, (candidate, coming) in candidates.items():
        if candidate is None:
            answers[name] = None
            continue
        drawn = paths_of(candidate, coming, properties[place], 1000)
        answers[name] = score(drawn, truth, world, _chances(candidate, coming), first, seed)
    return answers, int((records.heaters["ending"] == "tank_leak").sum())


def _by_property(failures: npt.NDArray[np.int64], properties: npt.NDArray[np.int64]) -> Array:
    """(R, T, n) to (R, T, G)."""
    groups = range(int(properties.max()) + 1)
    return np.stack([failures[:, :, properties == g].sum(axis=2) for g in groups], axis=2).astype(float)


def _chances(posterior: Posterior, states: FutureStates) -> Array:
    from forecasting.outlook import failure_probabilities

    return np.asarray(failure_probabilities(posterior, states, (YEARS,), 200)[:, :, 0].mean(axis=1))


def kept_or_new(
    size: int,
    record_years: float,
    seed: int,
    prior: Prior,
    keep: Path | None,
    law: Truth,
    year_known: bool,
    limit: Prior | None,
) -> tuple[dict[str, Result | None], int]:
    """One fleet's scores, from a file of earlier ones where they are in it, else made and added to it."""
    if keep is None:
        return one_fleet(size, record_years, seed, prior, law, year_known, limit)
    centre = round(float(prior.log_median_mean.sum()), 6)
    cell = [size, record_years, seed, VERSION, centre, year_known, law.young_share, limit is not None]
    for line in keep.read_text().splitlines() if keep.exists() else []:
        row = json.loads(line)
        if row["cell"] == cell:
            return {name: r and Result(**r) for name, r in row["found"].items()}, row["failures"]
    found, failures = one_fleet(size, record_years, seed, prior, law, year_known, limit)
    plain = {name: r and asdict(r) for name, r in found.items()}
    with keep.open("a") as file:
        file.write(json.dumps({"cell": cell, "found": plain, "failures": failures}) + "\n")
    return found, failures


def report(
    results: list[tuple[dict[str, Result | None], int]], size: int, record_years: float
) -> pd.DataFrame:
    """One row a forecaster for this cell."""
    of_name = {name: [found[name] for found, _ in results] for name in results[0][0]}
    truth = of_name["true model"]
    true_total, true_year = _mean(truth, "crps_total"), _mean(truth, "crps_yearly")
    chance = _mean_square(truth)
    plain = of_name["plain Weibull"]
    rows = []
    for name, scored in of_name.items():
        good = [r for r in scored if r is not None]
        error = 100 * np.array([r.relative_error for r in good])
        inside = 100 * np.array([r.covered for r in good])
        by_property = np.concatenate([r.property_covered for r in good])
        pits = np.concatenate([r.pit for r in good])
        below = np.array([t.ranking - r.ranking for t, r in zip(truth, scored, strict=True) if t and r])
        share, share_se = _error_share(scored, plain)
        total, year = _mean(scored, "crps_total") - true_total, _mean(scored, "crps_yearly") - true_year
        rows.append(
            {
                "heaters": size,
                "record": record_years,
                "failures": np.median([count for _, count in results]),
                "forecaster": name,
                "answered": f"{len(good)}/{len(scored)}",
                "bias %": np.median(error),
                "bias se": 1.25 * _error(error),
                "mean bias %": error.mean(),
                "mean se": _error(error),
                "MAE %": np.abs(error).mean(),
                "MAE se": _error(np.abs(error)),
                "owned MAE %": 100 * np.sqrt(2 / np.pi * max(_mean_square(scored) - chance, 0.0)),
                "of plain": share,
                "of plain se": share_se,
                "cover %": inside.mean(),
                "cover se": _error(inside),
                "property %": 100 * by_property.mean(),
                "CRPS total +": total,
                "share": total / (_mean(plain, "crps_total") - true_total),
                "CRPS year +": year,
                "year share": year / (_mean(plain, "crps_yearly") - true_year),
                "year PIT 80 %": 100 * np.mean((pits >= 0.1) & (pits <= 0.9)),
                "ranking": np.nanmean([r.ranking for r in good]),
                "below true": np.nanmean(below),
                "below se": _error(below),
            }
        )
    return pd.DataFrame(rows)


def _mean(scored: list[Result | None], measure: str) -> float:
    return float(np.mean([getattr(r, measure) for r in scored if r is not None]))


def _mean_square(scored: list[Result | None]) -> float:
    """Of the spread."""
    return float(np.mean([r.spread**2 for r in scored if r is not None]))


def _error(values: Array) -> float:
    return float(np.nanstd(values) / np.sqrt(len(values)))


def _error_share(scored: list[Result | None], plain: list[Result | None]) -> tuple[float, float]:
    """Mean absolute error as a share of plain's on the fleets that both answered, and its Monte Carlo error."""
    pairs = [(r.relative_error, p.relative_error) for r, p in zip(scored, plain, strict=True) if r and p]
    own, other = np.abs(np.array(pairs)).T
    share = float(own.mean() / other.mean())
    return share, _error(own - share * other) / float(other.mean())


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--fleets", type=int, default=60)
    parser.add_argument("--sizes", type=int, nargs="+", default=[25, 100, 450, 2500])
    parser.add_argument("--records", type=float, nargs="+", default=[3.0, 10.0])
    parser.add_argument("--prior-off", action="store_true", help="published lives a third too long")
    parser.add_argument(
        "--year-unknown", action="store_true", help="nobody knows when the buildings were built"
    )
    parser.add_argument("--young-share", type=float, default=0.0, help="of buildings, 6 to 35 years old")
    parser.add_argument("--limits", action="store_true", help="also what could be reached at all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="file of finished fleets: a run broken off goes on from it")
    asked = parser.parse_args()
    warnings.simplefilter("ignore")
    prior = load_prior(KINDS, COVARIATES)
    if asked.prior_off:
        prior = replace(prior, log_median_mean=prior.log_median_mean + np.log(4 / 3))
    law, began = Truth(young_share=asked.young_share), time.perf_counter()
    limit, year_known = centred(prior, law) if asked.limits else None, not asked.year_unknown
    for size in asked.sizes:
        for record_years in asked.records:
            results = [
                kept_or_new(size, record_years, asked.seed + i, prior, asked.keep, law, year_known, limit)
                for i in range(asked.fleets)
            ]
            table = report(results, size, record_years)
            print(table.T.to_string(header=False, float_format=lambda v: f"{v:.3f}"), "\n", flush=True)
    print(f"{time.perf_counter() - began:.0f} s; invented fleets, seeds {asked.seed} and up")


if __name__ == "__main__":
    main()
