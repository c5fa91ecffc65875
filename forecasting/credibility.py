"""How much weight a contract's own experience deserves against everybody's: Buhlmann and Buhlmann-Straub.

Source of the formulas: Buhlmann and Straub 1970; Goulet 1998; as set out in Dutang, Goulet, Milhaud and Pigeon,
'Credibility theory features of actuar', sections 4 and 5.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecasting.episodes import FloatArray


@dataclass(frozen=True)
class Credibility:
    """Structure parameters of a group of contracts, and each one's weight and premium."""

    collective: float  # the group's mean, each contract weighing its credibility
    within: float  # variance of one unit of volume from year to year in one contract
    between: float  # variance between contracts
    factor: FloatArray  # (I,) weight of a contract's own experience, 0 to 1
    own: FloatArray  # (I,) its own mean
    premium: FloatArray  # (I,) factor own + (1 - factor) collective


def credibility_factor(volume: float, within: float, between: float) -> float:
    """z = w / (w + s2 / a).  No volume or no difference between contracts: 0."""
    if volume < 0 or within < 0 or between < 0:
        raise ValueError("volume and variances are 0 or more")
    if volume == 0 or between == 0:
        return 0.0
    return volume / (volume + within / between)


def weighted_experience(own: float, expected: float, factor: float) -> float:
    """What to expect next: the contract's own mean and the priced one, weighed."""
    if not 0 <= factor <= 1:
        raise ValueError(f"the credibility factor {factor} is not between 0 and 1")
    return factor * own + (1 - factor) * expected


def buhlmann_straub(ratios: FloatArray, volumes: FloatArray) -> Credibility:
    """Contracts (rows) over years (columns): cost per unit of volume, and the volume; NaN or 0 volume = no year.

    Between variance by the unbiased estimator; a negative one counts as 0 (contracts do not differ).  With equal
    volumes this is Buhlmann's model.  Raises ValueError with fewer than two contracts, or none with two years.
    """
    ratio = np.asarray(ratios, dtype=float)
    volume = np.where(np.isfinite(ratio), np.asarray(volumes, dtype=float), 0.0)
    ratio = np.where(volume > 0, np.nan_to_num(ratio), 0.0)
    weight = volume.sum(axis=1)
    if ratio.shape[0] < 2 or (weight <= 0).any():
        raise ValueError("give at least two contracts, each with a year of volume")
    years = (volume > 0).sum(axis=1)
    if int((years - 1).sum()) < 1:
        raise ValueError("at least one contract needs two years")
    own = (volume * ratio).sum(axis=1) / weight
    within = float((volume * (ratio - own[:, None]) ** 2).sum() / (years - 1).sum())
    between = _unbiased(own, weight, within)
    if between <= 0:
        collective = float((weight * own).sum() / weight.sum())
        nothing = np.zeros(len(own))
        return Credibility(collective, within, 0.0, nothing, own, np.full(len(own), collective))
    factor = weight / (weight + within / between)
    collective = float((factor * own).sum() / factor.sum())
    return Credibility(collective, within, between, factor, own, factor * own + (1 - factor) * collective)


def _unbiased(own: FloatArray, weight: FloatArray, within: float) -> float:
    total = float(weight.sum())
    mean = float((weight * own).sum() / total)
    spread = float((weight * (own - mean) ** 2).sum()) - (len(own) - 1) * within
    return spread * total / (total**2 - float((weight**2).sum()))
