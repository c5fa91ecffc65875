"""Small invented posteriors and states, with the fields of the real ones, for tests of what is built on them."""

from __future__ import annotations

import numpy as np

from forecasting.episodes import COVARIATES, FutureStates
from forecasting.posterior import Diagnostics, Posterior

KINDS = ("gas_storage_atmospheric", "electric_storage")


def invented_posterior(
    draws: int = 50,
    buildings: int = 3,
    seed: int = 1,
    spread: float = 1.0,
    shape: float = 3.0,
    scale: float = 14.0,
) -> Posterior:
    """Draws scattered about the given shape and scale; ``spread`` 0 gives identical draws and no building effect."""
    generator = np.random.default_rng(seed)
    count = len(COVARIATES)
    mean_beta = np.array([0.8, 0.2, 0.1, 0.1, 0.15, 0.05, 0.2, 0.1])
    z = generator.gamma(5.0, 0.2, (draws, buildings)) if spread else np.ones((draws, buildings))
    return Posterior(
        kinds=KINDS,
        covariates=COVARIATES,
        buildings=tuple(range(10, 10 + buildings)),
        log_shape=np.log(shape) + spread * generator.normal(0, 0.1, (draws, 2)),
        log_scale=np.log(scale) + spread * generator.normal(0, 0.1, (draws, 2)),
        beta=mean_beta + spread * generator.normal(0, 0.05, (draws, count)),
        dispersion=np.full(draws, 0.2),
        z=z,
        building_failures=np.arange(buildings),
        building_exposure=np.ones((draws, buildings)),
        diagnostics=Diagnostics(0.2, float(draws), "importance", True, 5, {}, (), np.array([0.5, 0.9])),
        seed=seed,
        version="invented",
    )


def invented_states(
    count: int = 40,
    years: int = 12,
    buildings: int = 3,
    seed: int = 2,
    vague: bool = True,
    plain: bool = False,
) -> FutureStates:
    """Heaters of mixed ages; ``plain`` sets every covariate to 0 and every age to a known one."""
    generator = np.random.default_rng(seed)
    age = generator.uniform(0.0, 22.0, count)
    nodes = np.stack([age, age + 2.0, age + 4.0], axis=1)
    weights = np.tile([1.0, 0.0, 0.0], (count, 1))
    loose = np.zeros(count, dtype=bool)
    if vague and not plain:
        loose = generator.random(count) < 0.3
        weights[loose] = [0.5, 0.25, 0.25]
    x = np.zeros((count, years, len(COVARIATES)))
    if not plain:
        x[:, :, 0] = np.clip((age[:, None] + np.arange(years)) / 10 - 0.3, 0, 1)
        x[:, :, 2] = generator.normal(0, 1, count)[:, None]
        x[:, :, 4] = generator.normal(0, 1, count)[:, None]
    return FutureStates(
        heater_ids=np.arange(count) + 100,
        kind=np.arange(count) % 2,
        building=np.where((np.arange(count) % 5 == 4) & (not plain), -1, np.arange(count) % buildings),
        position_id=np.arange(count) + 500,
        property_id=np.arange(count) % 4,
        age_nodes=nodes,
        age_weights=weights,
        x=x,
        known={"age": ~loose, "hardness": np.arange(count) % 3 > 0},
    )
