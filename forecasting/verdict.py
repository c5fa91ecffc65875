"""One plain answer to whether the forecast has earned trust, and where it has not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

FEWEST_FAILURES = 5
FAR_OFF = 0.25  # a ratio this far from 1, and outside its limits, is called out


@dataclass(frozen=True)
class Verdict:
    """``earned``: True, False, or None when the record is too thin to say."""

    earned: bool | None
    words: str
    weak_spots: tuple[str, ...]


def verdict_of(landmarks: pd.DataFrame, heaters: pd.DataFrame) -> Verdict:
    """Judge a back-test by its longest horizon from each landmark.

    Trust is earned when the failures seen lie within what was forecast (exact 90 % limits, or within a
    tenth), and the chances given to single heaters score at least as well as the published table's and the
    plain fit's, up to one standard error.  Fewer than five failures: not enough to say.
    """
    if landmarks.empty:
        return Verdict(
            None,
            "There is no back-test yet: the record has to reach at least two years back. "
            "Until then the forecast rests on published lifetimes.",
            (),
        )
    last = landmarks[
        landmarks["horizon_years"] == landmarks.groupby("landmark")["horizon_years"].transform("max")
    ]
    first = last.sort_values("landmark").iloc[0]
    seen, expected = int(first["observed"]), float(first["expected"])
    span = f"Of {int(first['heaters'])} heaters in service on {first['landmark']}, "
    years = int(first["horizon_years"])
    happened = (
        f"{span}the forecast made as of that day expected {expected:.0f} to fail within "
        f"{years} year{'' if years == 1 else 's'} ({first['p10']:.0f} to {first['p90']:.0f} "
        f"with 80 % chance); {seen} did. "
    )
    if max(seen, expected) < FEWEST_FAILURES:
        return Verdict(None, happened + "That is too few failures to judge the forecast by.", ())
    weak = _weak_spots(heaters, first)
    in_range = _within(seen, expected, float(first["p10"]), float(first["p90"]))
    own = heaters[(heaters["landmark"] == first["landmark"]) & (heaters["horizon_years"] == years)]
    behind = [
        words
        for column, words in (
            ("chance_table", "the published table"),
            ("chance_plain", "a plain Weibull fit"),
        )
        if _clearly_worse(own, column)
    ]
    if in_range and not behind:
        better = (
            "It did no worse than a plain Weibull fit and the published table on single heaters, "
            "so it has earned trust"
        )
        ending = ", except where noted." if weak else "."
        return Verdict(True, happened + better + ending, weak)
    reasons = (
        []
        if in_range
        else [
            "too few failures were forecast"
            if seen > expected
            else "too many failures were forecast, or failures are missing from the record"
        ]
    )
    reasons += [f"{words} told single heaters apart better" for words in behind]
    return Verdict(False, happened + "It has not earned trust yet: " + "; ".join(reasons) + ".", weak)


def _within(seen: int, expected: float, p10: float, p90: float) -> bool:
    from forecasting.observed import poisson_limits

    low, high = poisson_limits(np.array([float(seen)]), 0.9)
    return bool(low[0] <= expected <= high[0] or p10 <= seen <= p90 or abs(seen / expected - 1) <= 0.1)


def _clearly_worse(heaters: pd.DataFrame, rival: str) -> bool:
    """Whether the rival's log score beats ours by more than one standard error of the difference."""
    scored = heaters[~heaters["removed"]]
    other = scored[rival].to_numpy(dtype=float)
    if not len(scored) or not np.isfinite(other).all():
        return False
    failed = scored["failed"].to_numpy(dtype=bool)
    gain = _log_chance(other, failed) - _log_chance(scored["chance"].to_numpy(dtype=float), failed)
    return bool(gain.mean() > gain.std() / np.sqrt(len(gain)) and gain.mean() > 1e-4)


def _log_chance(
    chance: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    failed: np.ndarray[tuple[int, ...], np.dtype[np.bool_]],
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    p = np.clip(chance, 1e-12, 1 - 1e-12)
    return np.asarray(np.where(failed, np.log(p), np.log1p(-p)))


def _weak_spots(heaters: pd.DataFrame, first: pd.Series) -> tuple[str, ...]:
    """Kinds and properties whose failures lie far outside what was forecast for them."""
    own = heaters[
        (heaters["landmark"] == first["landmark"]) & (heaters["horizon_years"] == first["horizon_years"])
    ]
    from forecasting.observed import poisson_limits

    found = []
    for column, label in (("kind", "kind"), ("property_id", "property")):
        groups = own.groupby(column)[["failed", "chance"]].sum()
        low, high = poisson_limits(groups["failed"].to_numpy(dtype=float), 0.98)
        for position, (name, row) in enumerate(groups.iterrows()):
            seen, expected = float(row["failed"]), float(row["chance"])
            if low[position] <= expected <= high[position] or abs(seen / max(expected, 1e-9) - 1) < FAR_OFF:
                continue
            readable = str(name).replace("_", " ")
            found.append(f"{label} {readable}: {expected:.1f} failures forecast, {seen:.0f} seen")
    return tuple(found)
