"""Joint paths of replacements turned into the tables of a plan, so that every grouping sums to the cent.

Quantiles are taken of sums over the same paths, never added up. Expected values are rounded once, in the finest
cells, by largest remainder; every table is a sum of those whole cents, so no two tables can disagree.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
QUANTILES = {"p10": 0.10, "p50": 0.50, "p80": 0.80, "p90": 0.90}


def largest_remainder(values: Array, unit: float) -> Whole:
    """Round `values` to whole multiples of `unit` that add up to the rounded total.

    Each value is cut down to a whole number of units, and the units still missing go to the largest remainders;
    on a tie to the earlier cell. (Hamilton's method of apportionment.)
    """
    scaled = np.asarray(values, dtype=np.float64) / unit
    floors = np.floor(scaled)
    missing = int(np.rint(scaled.sum()) - floors.sum())
    flat = floors.ravel().astype(np.int64)
    order = np.argsort(-(scaled - floors).ravel(), kind="stable")
    flat[order[: max(0, missing)]] += 1
    return flat.reshape(scaled.shape)


@dataclass(frozen=True)
class Paths:
    """What the forecast hands over: R joint paths, T cells of time, G finest groups."""

    failures: npt.NDArray[Any]  # (R, T, G)
    planned: npt.NDArray[Any]  # (R, T, G)
    cost: Array  # (R, T, G) money

    def expected(self) -> Expected:
        return Expected(
            failures=largest_remainder(self.failures.mean(axis=0, dtype=np.float64), 0.01),
            planned=largest_remainder(self.planned.mean(axis=0, dtype=np.float64), 0.01),
            cents=largest_remainder(self.cost.mean(axis=0, dtype=np.float64), 0.01),
        )


@dataclass(frozen=True)
class Expected:
    """Expected values as whole numbers, (T, G): hundredths of a heater and cents."""

    failures: Whole
    planned: Whole
    cents: Whole


def years_of_cells(cells: Sequence[Sequence[int]], count: int) -> Array:
    """(T, Y) ones where cell t belongs to year y."""
    matrix = np.zeros((count, len(cells)))
    for year, members in enumerate(cells):
        matrix[list(members), year] = 1.0
    return matrix


def grouped_table(
    paths: Paths, expected: Expected, labels: Sequence[Any], in_year: Array
) -> list[tuple[Any, list[dict[str, Any]]]]:
    """One row set a label, in the order of first appearance: each a list of the years' figures."""
    names = list(dict.fromkeys(labels))
    place = {name: index for index, name in enumerate(names)}
    member = np.zeros((len(labels), len(names)))
    member[np.arange(len(labels)), [place[label] for label in labels]] = 1.0
    counts = _gathered(paths.failures + paths.planned, member, in_year)
    money = _gathered(paths.cost, member, in_year)
    whole_member, whole_year = member.astype(np.int64), in_year.astype(np.int64)
    sums = {
        name: whole_year.T @ getattr(expected, name) @ whole_member
        for name in ("failures", "planned", "cents")
    }
    spreads = {
        "count": _quantiles(counts),
        "cost": _quantiles(money),
        "count_so_far": _quantiles(counts.cumsum(axis=1)),
        "cost_so_far": _quantiles(money.cumsum(axis=1)),
    }
    return [(name, _rows(index, sums, spreads)) for index, name in enumerate(names)]


def _gathered(values: Array, member: Array, in_year: Array) -> Array:
    """(R, T, G) summed to (R, Y, L): years first, then runs of one label, so that the work grows with the groups
    and not with groups times labels."""
    by_year = np.einsum("rtg,ty->ryg", values.astype(np.float64, copy=False), in_year, optimize=True)
    label = member.argmax(axis=1)
    order = np.argsort(label, kind="stable")
    starts = np.flatnonzero(np.r_[True, np.diff(label[order]) > 0])
    return np.add.reduceat(by_year[:, :, order], starts, axis=2)


def _quantiles(values: Array) -> Array:
    """(4, Y, L)."""
    return np.asarray(np.quantile(values, list(QUANTILES.values()), axis=0))


def _rows(label: int, sums: Mapping[str, Whole], spreads: Mapping[str, Array]) -> list[dict[str, Any]]:
    failures, planned, cents = (sums[name][:, label] for name in ("failures", "planned", "cents"))
    both = failures + planned
    rows = []
    for year in range(len(cents)):
        rows.append(
            {
                "failures": hundredths(failures[year]),
                "planned": hundredths(planned[year]),
                "count": _figures(hundredths(both[year]), spreads["count"][:, year, label], hundredths_of),
                "cost": _figures(hundredths(cents[year]), spreads["cost"][:, year, label], hundredths_of),
                "count_so_far": _figures(
                    hundredths(both[: year + 1].sum()), spreads["count_so_far"][:, year, label], hundredths_of
                ),
                "cost_so_far": _figures(
                    hundredths(cents[: year + 1].sum()), spreads["cost_so_far"][:, year, label], hundredths_of
                ),
            }
        )
    return rows


def _figures(expected: str, quantiles: Array, written: Any) -> dict[str, str]:
    return {"expected": expected} | {
        name: written(value) for name, value in zip(QUANTILES, quantiles, strict=True)
    }


def hundredths(number: Any) -> str:
    """A whole number of hundredths as an exact decimal text."""
    return str(Decimal(int(number)).scaleb(-2))


def hundredths_of(value: float) -> str:
    return hundredths(round(float(value) * 100))
