"""The check of the forecast as plain values for storing: back-test, curves, observed against expected.

Reads and writes no rows. Heavy libraries are imported inside the functions: only a worker or a command gets here.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from fleet.planning import chain, priors

if TYPE_CHECKING:
    import pandas as pd

    from forecasting.checks import BackTest
    from forecasting.episodes import Episodes, Records
    from forecasting.posterior import Posterior

MOST_CURVES = 6
FEWEST_FAILURES_FOR_A_CURVE = 3
POINTS = 60
GROUPINGS = ("year", "age", "kind", "property")
MOST_HEATERS = 5000  # more add nothing to a check that people can see, and weigh on the machine


def compute(
    records: Records, asked: chain.Asked, progress: chain.Progress, cancelled: Callable[[], bool]
) -> dict[str, Any]:
    """Everything the trust page and the command show. Raises NothingToForecast on an empty record."""
    from fleet.estate.background import Cancelled
    from forecasting.checks import back_test
    from forecasting.episodes import build_episodes
    from forecasting.lifetimes import load_prior
    from forecasting.posterior import FitCancelled

    on_record = len(records.heaters)
    records = sampled(records, asked.seed)
    posterior, diagnostics = chain.fit_records(
        records, asked, lambda done, words: progress(0.4 * done, words), cancelled
    )
    episodes = build_episodes(records, posterior.kinds)
    prior = load_prior(posterior.kinds, episodes.covariates, *priors.tables(asked.priors))
    progress(0.3, "Forecasting as of earlier years")
    try:
        tested = back_test(
            records,
            prior,
            draws=asked.draws,
            seed=asked.seed,
            progress=lambda done, words: progress(0.3 + 0.5 * done, words),
            cancelled=cancelled,
        )
    except FitCancelled:
        raise Cancelled from None
    progress(0.8, "Comparing what happened with what was expected")
    return {
        "fit": diagnostics,
        "verdict": {
            "earned": tested.verdict.earned,
            "words": tested.verdict.words,
            "weak_spots": list(tested.verdict.weak_spots),
        },
        "landmarks": _plain(tested.landmarks),
        "scores": scores(tested),
        "curves": _curves(posterior, episodes),
        "endings": _plain(_thinned(_endings(episodes, records))),
        "expected": _expected(posterior, episodes, records),
        "failures_on_record": int(diagnostics["events_total"]),
        "engine_version": posterior.version,
        "heaters_checked": len(records.heaters),
        "heaters_on_record": on_record,
    }


def sampled(records: Records, seed: int) -> Records:
    """Of a large fleet whole buildings drawn by lot, about `MOST_HEATERS` heaters; a smaller one as it is."""
    from dataclasses import replace

    import numpy as np

    heaters = records.heaters
    if len(heaters) <= MOST_HEATERS:
        return records
    sizes = heaters.groupby("building_id").size()
    drawn = sizes.loc[np.random.default_rng([seed, 7011]).permutation(sizes.index.to_numpy())]
    kept = drawn.index[(drawn.cumsum() <= MOST_HEATERS) | (np.arange(len(drawn)) == 0)]
    heaters = heaters[heaters["building_id"].isin(kept)].reset_index(drop=True)
    services = records.services[records.services["heater_id"].isin(heaters["heater_id"])].reset_index(
        drop=True
    )
    return replace(records, heaters=heaters, services=services)


def _expected(posterior: Posterior, episodes: Episodes, records: Records) -> dict[str, list[dict[str, Any]]]:
    from forecasting.checks import observed_against_expected

    if not len(episodes.heater):
        return {by: [] for by in GROUPINGS}
    return {by: _plain(observed_against_expected(posterior, episodes, records, by)) for by in GROUPINGS}  # type: ignore[arg-type]


def _endings(episodes: Episodes, records: Records) -> pd.DataFrame:
    import pandas as pd

    from forecasting.checks import endings_curve

    return endings_curve(episodes, records) if len(episodes.heater) else pd.DataFrame()


def _curves(posterior: Posterior, episodes: Episodes) -> list[dict[str, Any]]:
    """Observed survival (delayed entry) beside the model's, for the kinds with failures, most failures first."""
    import numpy as np

    from forecasting.checks import lives, model_curve, survival_curve

    if not len(episodes.heater):
        return []
    watched = lives(episodes)
    failures = np.bincount(watched.kind[watched.failed], minlength=len(episodes.kinds))
    order = [int(i) for i in np.argsort(-failures, kind="stable")[:MOST_CURVES]]
    found = []
    for index in order:
        if failures[index] < FEWEST_FAILURES_FOR_A_CURVE:
            continue
        kind = episodes.kinds[index]
        seen = survival_curve(episodes, kind)
        if len(seen) < 2:
            continue
        ages = np.linspace(float(seen.attrs["from_age"]), float(seen["age"].max()), 41)
        found.append(
            {
                "kind": kind,
                "failures": int(failures[index]),
                "from_age": round(float(seen.attrs["from_age"]), 2),
                "observed": _plain(_thinned(seen)),
                "model": _plain(model_curve(posterior, episodes, kind, ages)),
            }
        )
    return found


def scores(tested: BackTest) -> list[dict[str, Any]]:
    """Held-out scores of ours, of the plain Weibull fit and of the published table, over all forecasts tested."""
    import numpy as np

    heaters = tested.heaters
    if not len(heaters):
        return []
    scored = heaters[~heaters["removed"].astype(bool)]
    failed = scored["failed"].to_numpy(dtype=bool)
    names = {
        "chance": "this forecast",
        "chance_plain": "plain Weibull fit with delayed entry (lifelines)",
        "chance_table": "published table alone",
    }
    rows = []
    for column, name in names.items():
        chance = scored[column].to_numpy(dtype=float)
        usable = np.isfinite(chance)
        safe = np.clip(chance, 1e-12, 1 - 1e-12)
        right = np.where(failed, np.log(safe), np.log1p(-safe))[usable]
        rows.append(
            {
                "forecast": name,
                "log_score": _rounded(right.mean()) if usable.any() else None,
                "brier": _rounded(((chance - failed)[usable] ** 2).mean()) if usable.any() else None,
                "scored": int(usable.sum()),
                "of": len(scored),
            }
        )
    return rows


def _thinned(frame: pd.DataFrame) -> pd.DataFrame:
    import numpy as np

    if len(frame) <= POINTS:
        return frame
    keep = np.unique(np.linspace(0, len(frame) - 1, POINTS).round().astype(int))
    return frame.iloc[keep]


def _plain(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): _value(value) for name, value in row.items()} for row in frame.to_dict("records")]


def _value(value: Any) -> Any:
    """JSON has no NaN and no NumPy: numbers rounded, unknown ones None, days written out."""
    import numpy as np

    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return _rounded(value)
    return str(value)


def _rounded(value: Any) -> float | None:
    number = float(value)
    return round(number, 6) if abs(number) < float("inf") else None
