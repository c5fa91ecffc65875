"""How old the fleet is."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from itertools import accumulate
from typing import Any

from fleet.heaters.models import GAS, Kind
from fleet.heaters.record_reading import ages_known
from fleet.pages import words

BAND_YEARS = 3
LAST_BAND = 8
GAS_SIDE, OTHER_SIDE = "gas", "electric and other"
KIND_NAMES: dict[str, str] = dict(Kind.choices)
Bands = dict[int, Counter[str]]


@dataclass(frozen=True)
class Ages:
    """The fleet by age: rows for the picture, and for the table each kind in its own column."""

    picture: list[dict[str, Any]]
    kinds: list[str]
    table: list[tuple[str, list[int], int]]
    unknown: int
    total: int
    median_years: float | None


def band_name(order: int) -> str:
    low = order * BAND_YEARS
    return f"{low} and over" if order == LAST_BAND else f"{low} to {low + BAND_YEARS - 1}"


def band_of(years: float) -> int:
    return min(LAST_BAND, int(years // BAND_YEARS))


def ages(today: date, property_id: int | None = None) -> Ages:
    """Age in whole years, at the middle of what is known of the install date; wholly unknown ages apart."""
    import numpy as np

    first_days = ages_known(property_id)
    known = first_days[first_days["earliest"] > 0]

    def years(bound: str) -> Any:
        return np.maximum(0.0, (today.toordinal() - known[bound].astype("i8")) / words.DAYS_IN_YEAR)

    middle = (years("earliest") + years("latest")) / 2
    band = np.minimum(LAST_BAND, middle // BAND_YEARS).astype("i8")
    kinds = list(KIND_NAMES)
    pairs = np.bincount(band * len(kinds) + known["kind"], minlength=(LAST_BAND + 1) * len(kinds))
    bands: Bands = {
        order: Counter({kind: int(pairs[order * len(kinds) + at]) for at, kind in enumerate(kinds)})
        for order in range(LAST_BAND + 1)
    }
    days = np.bincount(np.rint(middle * words.DAYS_IN_YEAR).astype("i8"))
    ages = Counter({int(day): int(days[day]) for day in np.flatnonzero(days)})
    return _shown(bands, ages, len(first_days) - len(known))


def _median_years(days: Counter[int]) -> float | None:
    if not days:
        return None
    order = sorted(days)
    upto = list(accumulate(days[day] for day in order))
    return order[bisect_left(upto, upto[-1] / 2)] / words.DAYS_IN_YEAR


def _shown(bands: Bands, known: Counter[int], unknown: int) -> Ages:
    kinds = [kind for kind in KIND_NAMES if any(counts[kind] for counts in bands.values())]
    picture, table = [], []
    for order in range(LAST_BAND + 1):
        counts: Counter[str] = bands.get(order, Counter())
        gas, everything = _of(counts, GAS), sum(counts.values())
        for side, number in ((GAS_SIDE, gas), (OTHER_SIDE, everything - gas)):
            picture.append({"band": band_name(order), "order": order, "side": side, "count": number})
        table.append((band_name(order), [counts[kind] for kind in kinds], everything))
    total = sum(known.values()) + unknown
    names = [str(KIND_NAMES[kind]) for kind in kinds]
    return Ages(picture, names, table, unknown, total, _median_years(known))


def _of(counts: Counter[str], kinds: Iterable[str]) -> int:
    return sum(counts[kind] for kind in kinds)
