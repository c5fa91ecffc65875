"""A fit in words: what each kind's life is now thought to be, what each circumstance does, how far to trust it."""

from __future__ import annotations

from datetime import date
from math import exp
from typing import TYPE_CHECKING, Any

from fleet.planning.prices import kind_words
from fleet.planning.printed import aligned
from fleet.planning.priors import Entered
from fleet.planning.priors import tables as prior_tables

if TYPE_CHECKING:
    from forecasting.episodes import FloatArray
    from forecasting.posterior import Posterior


def fit_lines(
    posterior: Posterior, diagnostics: dict[str, Any], day: date, entered: Entered = ()
) -> list[str]:
    """Everything `manage.py fit` prints; ``entered`` are the priors the organisation changed."""
    import numpy as np

    from forecasting.lifetimes import load_prior

    prior = load_prior(posterior.kinds, (), *prior_tables(entered))
    believed = np.exp(prior.log_median_mean)
    medians = np.log(2.0) ** (1.0 / np.exp(posterior.log_shape)) * np.exp(posterior.log_scale)
    low, middle, high = np.quantile(medians, [0.1, 0.5, 0.9], axis=0)
    shapes = np.quantile(np.exp(posterior.log_shape), [0.1, 0.5, 0.9], axis=0)
    lives = [
        [
            kind_words(kind),
            str(diagnostics["events_by_kind"].get(kind, 0)),
            f"{believed[index]:.1f}",
            f"{middle[index]:.1f} ({low[index]:.1f} to {high[index]:.1f})",
            f"{shapes[1, index]:.1f} ({shapes[0, index]:.1f} to {shapes[2, index]:.1f})",
            _share(diagnostics["prior_weight"].get(kind)),
        ]
        for index, kind in enumerate(posterior.kinds)
    ]
    ratios = np.quantile(np.exp(posterior.beta), [0.1, 0.5, 0.9], axis=0)
    effects = [
        [name.replace("_", " "), f"{ratios[1, index]:.2f} ({ratios[0, index]:.2f} to {ratios[2, index]:.2f})"]
        for index, name in enumerate(posterior.covariates)
    ]
    return [
        f"Lifetime model fitted to the record as of {day}: {diagnostics['events_total']} failures, "
        f"{diagnostics['episodes']:,} episodes, random seed {posterior.seed}, version {posterior.version}.",
        "",
        "Median life of a typical heater, years (80 % interval); shape above 1 means wearing out;",
        "tables say: the median before the record spoke; left to tables: the share of its spread not yet narrowed.",
        *aligned(["kind", "failures", "tables say", "median life", "shape", "left to tables"], lives),
        "",
        "Failure rate multiplied by (80 % interval), for one unit of each circumstance:",
        *aligned(["circumstance", "times"], effects),
        "",
        _building_words(np.quantile(posterior.dispersion, [0.1, 0.5, 0.9])),
        *([f"{len(entered)} starting figures are entered, not shipped."] if entered else []),
        "",
        "How far to trust it",
        *(f"- {line}" for line in trust_lines(diagnostics)),
    ]


def _building_words(dispersion: FloatArray) -> str:
    """The spread between buildings as a ratio of failure rates, which people can picture."""
    # From the tenth to the ninetieth percentile: 2.56 standard deviations of the log multiplier.
    low, middle, high = (exp(2.563 * float(value) ** 0.5) for value in dispersion)
    return (
        f"Buildings differ: the worst tenth fails {middle:.1f} times as often as the best tenth "
        f"({low:.1f} to {high:.1f}), like heaters in like water."
    )


def _share(weight: float | None) -> str:
    return "?" if weight is None else f"{min(weight, 1.0) * 100:.0f} %"


def trust_lines(diagnostics: dict[str, Any]) -> list[str]:
    k_hat, effective = diagnostics["k_hat"], diagnostics["effective_draws"]
    how = "importance draws" if diagnostics["method"] == "importance" else "a sampler"
    lines = [
        f"Drawn by {how}; worth {effective:,.0f} independent draws." if effective else f"Drawn by {how}."
    ]
    if k_hat is not None and diagnostics["method"] == "importance":
        lines.append(f"Pareto k {k_hat:.2f}: below 0.7 the importance draws are sound.")
    lines.append(
        "The fit settled." if diagnostics["converged"] else "The fit did NOT settle: do not rely on it."
    )
    return lines + list(diagnostics["messages"])
