"""Immortal time: flushing does nothing, yet heaters that lived longer were flushed more often.

    python -m tests.validation.immortal --fleets 20

The engine's scale effect should cover zero; a model that counts each heater's flushes over its whole life
must find a protection that is not there.
"""

from __future__ import annotations

import argparse
import warnings

import numpy as np

from forecasting.episodes import COVARIATES, Records, build_episodes
from forecasting.lifetimes import load_prior
from forecasting.observed import lives
from forecasting.posterior import fit
from tests.validation.simulator import KINDS, make_fleet


def summary_of_life_effect(records: Records) -> tuple[float, float]:
    """Weibull fit on the number of flushes over the life: (effect on log life, its standard error)."""
    import pandas as pd
    from lifelines import WeibullAFTFitter

    episodes = build_episodes(records, KINDS)
    observed = lives(episodes)
    flushes = records.services[records.services["kind"] == "flush"].groupby("heater_id").size()
    frame = pd.DataFrame(
        {
            "exit_age": np.maximum(observed.exit_age, observed.entry_age + 0.005),
            "entry_age": observed.entry_age,
            "failed": observed.failed.astype(int),
            "flushes": flushes.reindex(np.array(episodes.heater_ids)).fillna(0).to_numpy(dtype=float),
        }
    )
    fitter = WeibullAFTFitter().fit(frame, "exit_age", "failed", entry_col="entry_age")
    found = fitter.summary.loc[("lambda_", "flushes")]
    return float(found["coef"]), float(found["se(coef)"])


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--fleets", type=int, default=20)
    parser.add_argument("--heaters", type=int, default=450)
    parser.add_argument("--record-years", type=float, default=10.0)
    asked = parser.parse_args()
    warnings.simplefilter("ignore")
    prior = load_prior(KINDS, COVARIATES)
    place = COVARIATES.index("sediment")
    covers, means, false_alarm, effects = [], [], [], []
    for seed in range(1, asked.fleets + 1):
        records = make_fleet(asked.heaters, asked.record_years, seed).records
        beta = fit(build_episodes(records, KINDS), prior, 1000, seed).beta[:, place]
        low, high = np.quantile(beta, [0.1, 0.9])
        covers.append(low <= 0 <= high)
        means.append(beta.mean())
        effect, error = summary_of_life_effect(records)
        effects.append(effect)
        false_alarm.append(abs(effect) > 1.2816 * error)
    print(
        f"{asked.fleets} fleets of {asked.heaters} heaters, {asked.record_years:.0f} years; flushing does nothing"
    )
    print(
        f"engine: mean effect of scale {np.mean(means):+.3f}, 80 % interval covers 0 in {np.mean(covers):.0%}"
    )
    print(
        f"summary of life: each flush seems to lengthen life by {np.expm1(np.mean(effects)):.1%}, "
        f"80 % interval covers 0 in {1 - np.mean(false_alarm):.0%}"
    )


if __name__ == "__main__":
    main()
