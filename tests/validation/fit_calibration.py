"""Does the fit's spread mean what it says?  Truths drawn from the prior, fleets from the truths, then the fit.

Run: ``python -m tests.validation.fit_calibration [fleets] [heaters]`` (default 200 fleets of 60).  When truths come
from the prior itself, an 80 % interval of a correct posterior holds the truth in exactly 80 % of fleets, and the
rank of the truth among the draws is uniform (simulation-based calibration, Talts et al. 2018, arXiv 1804.06788).
"""

from __future__ import annotations

import sys

import numpy as np

from forecasting.episodes import COVARIATES, Episodes
from forecasting.hazard import DISPERSION_BOUNDS, LOG_LN2
from forecasting.lifetimes import Prior, load_prior
from forecasting.posterior import fit

KINDS = ("electric_storage", "gas_storage_atmospheric")
PER_BUILDING = 10
YEARS_WATCHED = 6.0


def truth_from(prior: Prior, g: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    log_shape = g.multivariate_normal(prior.log_shape_mean, prior.log_shape_covariance())
    log_median = g.multivariate_normal(prior.log_median_mean, prior.log_median_covariance())
    beta = g.normal(prior.beta_mean, prior.beta_sd)
    dispersion = np.inf
    while not DISPERSION_BOUNDS[0] < dispersion < DISPERSION_BOUNDS[1]:
        dispersion = float(prior.dispersion_median * np.exp(prior.dispersion_log_sd * g.standard_normal()))
    return log_shape, log_median, beta, dispersion


def fleet(
    heaters: int, truth: tuple[np.ndarray, np.ndarray, np.ndarray, float], g: np.random.Generator
) -> tuple[Episodes, np.ndarray]:
    """Episodes of heaters alive at a delayed entry, a third with their install date known to within two years."""
    log_shape, log_median, beta, dispersion = truth
    n_buildings = max(heaters // PER_BUILDING, 1)
    kind, building = np.sort(g.integers(0, 2, heaters)), g.integers(0, n_buildings, heaters)
    x = g.normal(0, 0.7, (heaters, len(beta)))
    z = g.gamma(1 / dispersion, dispersion, n_buildings)
    shape, median = np.exp(log_shape[kind]), np.exp(log_median[kind])
    entry = g.uniform(0, 15, heaters)
    needed = np.log(2) * (entry / median) ** shape + g.exponential(size=heaters) / (
        z[building] * np.exp(x @ beta)
    )
    life = median * (needed / np.log(2)) ** (1 / shape)
    leave = np.minimum(life, entry + YEARS_WATCHED)
    event = life <= leave
    rows = []
    for i in range(heaters):
        # The true age at entry is one of the nodes, drawn with equal chance: so equal weights are right.
        count = 3 if i % 3 == 0 else 1
        hidden = g.integers(count)
        for node in range(count):
            shift = max(float(entry[i]) + (node - hidden), 0.0) - float(entry[i])
            rows.append((i, node, entry[i] + shift, leave[i] + shift, -np.log(count)))
    heater, node, begin, finish, weight = (np.array(column) for column in zip(*rows, strict=True))
    return Episodes(
        heater=heater,
        kind=kind[heater],
        building=building[heater],
        entry_age=begin,
        exit_age=finish,
        event=event[heater],
        interval_lower=np.full(len(heater), np.nan),
        x=x[heater],
        node=node,
        node_log_weight=weight,
        heater_ids=tuple(range(heaters)),
        kinds=KINDS,
        buildings=tuple(range(n_buildings)),
    ), z


def main(fleets: int, heaters: int) -> int:
    prior = load_prior(KINDS, COVARIATES)
    names = (
        [f"log shape {k}" for k in KINDS] + [f"log median {k}" for k in KINDS] + [*COVARIATES, "dispersion"]
    )
    ranks, multipliers, samplers, events = [], [], 0, []
    for seed in range(fleets):
        g = np.random.default_rng([seed, heaters])
        truth = truth_from(prior, g)
        episodes, z = fleet(heaters, truth, g)
        posterior = fit(episodes, prior, draws=400, seed=seed)
        log_median = posterior.log_scale + LOG_LN2 * np.exp(-posterior.log_shape)
        drawn = np.column_stack([posterior.log_shape, log_median, posterior.beta, posterior.dispersion])
        ranks.append((drawn < np.concatenate([*truth[:3], [truth[3]]])).mean(axis=0))
        multipliers.append((posterior.z < z).mean(axis=0))
        samplers += posterior.diagnostics.method == "sampler"
        events.append(posterior.diagnostics.events_total)
    rank = np.array(ranks)
    error = 100 * np.sqrt(0.8 * 0.2 / fleets)
    print(f"{fleets} fleets of {heaters} heaters, median {np.median(events):.0f} failures on record")
    print(f"slower sampler used in {samplers}; Monte Carlo error of each coverage {error:.1f} %")
    inside = 100 * ((rank >= 0.1) & (rank <= 0.9)).mean(axis=0)
    for name, share, middle in zip(names, inside, rank.mean(axis=0), strict=True):
        print(f"{name:<38} 80 % interval covers {share:5.1f} %   mean rank {middle:.3f}")
    flat = np.concatenate(multipliers)
    print(
        f"{'building multipliers':<38} 80 % interval covers {100 * ((flat >= 0.1) & (flat <= 0.9)).mean():5.1f} %"
    )
    whole = float(inside.mean())
    bound = 4 * error / np.sqrt(len(names))
    print(f"all parameters: {whole:.1f} % (80 wanted, within {bound:.1f})")
    return int(abs(whole - 80) > bound)


if __name__ == "__main__":
    arguments = [int(word) for word in sys.argv[1:]]
    sys.exit(main(*(arguments + [200, 60][len(arguments) :])))
