"""Ten-year totals on simulated fleets: the engine, a plain Weibull fit and the true model side by side.

    python -m tests.validation.totals --fleets 60
    python -m tests.validation.totals --fleets 20 --sizes 100 450 --records 3 --prior-off
    python -m tests.validation.totals --fleets 24 --sizes 450 --records 3 --year-unknown --young-share 0.5

Prints per cell: bias and mean absolute error of the expected ten-year total against the true model's,
coverage of 80 % intervals (fleet and property), ranked probability scores, spread of the yearly PIT.
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
from tests.validation.simulator import AS_OF, KINDS, Fleet, Truth, future_failures, make_fleet

YEARS = 10
TRUE_PATHS = 300
Array = npt.NDArray[np.float64]


@dataclass
class Result:
    """One fleet's scores under one forecaster."""

    relative_error: float  # of the expected total
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
    size: int, record_years: float, seed: int, prior: Prior, law: Truth, year_known: bool
) -> tuple[dict[str, Result | None], int]:
    """Every forecaster on one fleet; the number of failures on record."""
    fleet: Fleet = make_fleet(size, record_years, seed, law)
    future = future_failures(fleet, YEARS, TRUE_PATHS + 1, seed)
    properties = fleet.places.property_id
    groups = np.arange(properties.max() + 1)
    by_group = np.stack([future[:, :, properties == g].sum(axis=2) for g in groups], axis=2).astype(float)
    world, truth = by_group[0], by_group[1:]
    records = fleet.records
    if not year_known:
        records = replace(records, heaters=records.heaters.drop(columns="building_built"))
    posterior = fit(build_episodes(records, KINDS), prior, 1000, seed)
    states = future_states(records, KINDS, posterior.buildings, YEARS)
    plain_states = replace(states, building=np.zeros_like(states.building), x=np.zeros_like(states.x))
    place = states.position_id - 1
    own = properties[place]
    first = future[0].sum(axis=0)[place].astype(float)
    answers: dict[str, Result | None] = {
        "true model": score(
            truth, truth, world, (future[1:].sum(axis=1) > 0).mean(axis=0)[place], first, seed
        )
    }
    plain = plain_fit(records)
    for name, candidate, coming in (("engine", posterior, states), ("plain Weibull", plain, plain_states)):
        if candidate is None:
            answers[name] = None
            continue
        paths = paths_of(candidate, coming, own, 1000)
        answers[name] = score(paths, truth, world, _chances(candidate, coming), first, seed)
    return answers, int((records.heaters["ending"] == "tank_leak").sum())


def _chances(posterior: Posterior, states: FutureStates) -> Array:
    from forecasting.outlook import failure_probabilities

    return np.asarray(failure_probabilities(posterior, states, (YEARS,), 200)[:, :, 0].mean(axis=1))


def kept_or_new(
    size: int, record_years: float, seed: int, prior: Prior, keep: Path | None, law: Truth, year_known: bool
) -> tuple[dict[str, Result | None], int]:
    """One fleet's scores, from a file of earlier ones where they are in it, else made and added to it."""
    if keep is None:
        return one_fleet(size, record_years, seed, prior, law, year_known)
    centre = round(float(prior.log_median_mean.sum()), 6)
    cell = [size, record_years, seed, VERSION, centre, year_known, law.young_share]
    for line in keep.read_text().splitlines() if keep.exists() else []:
        row = json.loads(line)
        if row["cell"] == cell:
            return {name: r and Result(**r) for name, r in row["found"].items()}, row["failures"]
    found, failures = one_fleet(size, record_years, seed, prior, law, year_known)
    plain = {name: r and asdict(r) for name, r in found.items()}
    with keep.open("a") as file:
        file.write(json.dumps({"cell": cell, "found": plain, "failures": failures}) + "\n")
    return found, failures


def report(
    results: list[tuple[dict[str, Result | None], int]], size: int, record_years: float
) -> pd.DataFrame:
    """One row a forecaster for this cell."""
    fleets = len(results)
    rows = []
    events = np.median([count for _, count in results])
    true_total = np.mean([found["true model"].crps_total for found, _ in results if found["true model"]])
    true_year = np.mean([found["true model"].crps_yearly for found, _ in results if found["true model"]])
    for name in ("true model", "engine", "plain Weibull"):
        scored = [found[name] for found, _ in results]
        good = [r for r in scored if r is not None]
        error = np.array([r.relative_error for r in good])
        inside = np.array([r.covered for r in good])
        by_property = np.concatenate([r.property_covered for r in good])
        pits = np.concatenate([r.pit for r in good])
        rows.append(
            {
                "heaters": size,
                "record": record_years,
                "failures": events,
                "forecaster": name,
                "answered": f"{len(good)}/{fleets}",
                "bias %": 100 * np.median(error),
                "MAE %": 100 * np.abs(error).mean(),
                "MAE se": 100 * np.abs(error).std() / np.sqrt(len(good)),
                "cover %": 100 * inside.mean(),
                "cover se": 100 * inside.std() / np.sqrt(len(good)),
                "property %": 100 * by_property.mean(),
                "CRPS total +": np.mean([r.crps_total for r in good]) - true_total,
                "CRPS year +": np.mean([r.crps_yearly for r in good]) - true_year,
                "year PIT 80 %": 100 * np.mean((pits >= 0.1) & (pits <= 0.9)),
                "ranking": np.nanmean([r.ranking for r in good]),
            }
        )
    return pd.DataFrame(rows)


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
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="file of finished fleets: a run broken off goes on from it")
    asked = parser.parse_args()
    warnings.simplefilter("ignore")
    prior = load_prior(KINDS, COVARIATES)
    if asked.prior_off:
        prior = replace(prior, log_median_mean=prior.log_median_mean + np.log(4 / 3))
    law, began = Truth(young_share=asked.young_share), time.perf_counter()
    for size in asked.sizes:
        for record_years in asked.records:
            results = [
                kept_or_new(
                    size, record_years, asked.seed + i, prior, asked.keep, law, not asked.year_unknown
                )
                for i in range(asked.fleets)
            ]
            table = report(results, size, record_years)
            print(table.to_string(index=False, float_format=lambda v: f"{v:.2f}"), flush=True)
    print(f"{time.perf_counter() - began:.0f} s; invented fleets, seeds {asked.seed} and up")


if __name__ == "__main__":
    main()
