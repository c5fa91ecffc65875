"""How old the fleet is. Exact days are counted in the database; only vague dates are looked at one by one."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import accumulate
from typing import Any

from django.db.models import Count, F, Q

from fleet.heaters.models import GAS, Heater, Kind
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
    rows = Heater.objects.filter(ending="").order_by()
    bands: Bands = defaultdict(Counter)
    known: Counter[int] = Counter()
    if property_id is not None:
        # One property's heaters are few: reading them once is quicker than counting them in three questions.
        rows = rows.filter(position__building__property_id=property_id)
        return _shown(bands, known, _one_by_one(rows, today, bands, known))
    exact = Q(installed_earliest=F("installed_latest"))
    _count_bands(rows.filter(exact), today, bands)
    for day, number in rows.filter(exact).values_list("installed_latest").annotate(number=Count("id")):
        known[max(0, (today - day).days)] += number
    vague = rows.exclude(installed_earliest__isnull=False, installed_latest=F("installed_earliest"))
    return _shown(bands, known, _one_by_one(vague, today, bands, known))


def _one_by_one(rows: Any, today: date, bands: Bands, known: Counter[int]) -> int:
    """Add each row to the bands and ages; returns how many have no known age."""
    unknown = 0
    for kind, earliest, latest, made_earliest, made_latest in rows.values_list(
        "kind", "installed_earliest", "installed_latest", "made_earliest", "made_latest"
    ):
        span = words.age_years(earliest, latest, today) or words.age_years(made_earliest, made_latest, today)
        if span is None:
            unknown += 1
            continue
        years = sum(span) / 2
        known[round(years * words.DAYS_IN_YEAR)] += 1
        bands[band_of(years)][kind] += 1
    return unknown


def _count_bands(rows: Any, today: date, bands: Bands) -> None:
    borders = [math.ceil(order * BAND_YEARS * words.DAYS_IN_YEAR) for order in range(LAST_BAND + 1)]
    tests = {}
    for order in range(LAST_BAND + 1):
        test = Q(installed_latest__lte=today - timedelta(days=borders[order])) if order else Q()
        if order < LAST_BAND:
            test &= Q(installed_latest__gt=today - timedelta(days=borders[order + 1]))
        tests[f"band_{order}"] = Count("id", filter=test)
    for row in rows.values("kind").annotate(**tests):
        for order in range(LAST_BAND + 1):
            if row[f"band_{order}"]:
                bands[order][row["kind"]] = row[f"band_{order}"]


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
