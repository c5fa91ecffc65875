"""Prices that change from a day on, laid over the periods of a forecast; and the kind that mostly follows each kind."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import date, timedelta
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING

from fleet.planning.periods import DAYS_IN_YEAR
from fleet.planning.prices import Pricing

if TYPE_CHECKING:
    from forecasting.episodes import FloatArray, IntArray


def price_tables(
    pricing: Pricing, as_of: date, edges_years: Sequence[float]
) -> tuple[FloatArray, FloatArray]:
    """Planned and emergency price: (N,), or (N, T) by period where a rule changes what goes in."""
    import numpy as np

    def plain(prices: Sequence[Decimal]) -> FloatArray:
        return np.asarray([float(price) for price in prices])

    if len(pricing.steps) < 2:
        return plain(pricing.planned), plain(pricing.emergency)
    places = [pricing.step_on(_day(as_of, years)) for years in _middles(edges_years)]
    planned = [plain(step.planned) for step in pricing.steps]
    emergency = [plain(step.emergency) for step in pricing.steps]
    return (
        np.column_stack([planned[at] for at in places]),
        np.column_stack([emergency[at] for at in places]),
    )


def _middles(edges_years: Sequence[float]) -> list[float]:
    return [(start + end) / 2 for start, end in pairwise(edges_years)]


def _day(as_of: date, years: float) -> date:
    return as_of + timedelta(days=round(years * DAYS_IN_YEAR))


def successor_kinds(
    pricing: Pricing, kinds: Sequence[str], kind_of: IntArray, as_of: date, horizon_years: float
) -> IntArray:
    """(K,) the kind whose lifetime the successors of each kind take: what most places get at mid-horizon."""
    import numpy as np

    following = np.arange(len(kinds))
    if not pricing.steps:
        return following
    step = pricing.steps[pricing.step_on(_day(as_of, horizon_years / 2))]
    for number in np.unique(kind_of).tolist():
        going = Counter(step.going_in[row] for row in np.flatnonzero(kind_of == number).tolist())
        following[number] = kinds.index(going.most_common(1)[0][0])
    return following
