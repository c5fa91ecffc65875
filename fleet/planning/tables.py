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


@dataclass(frozen=True)
class Figures:
    """The years' figures of many groups as whole numbers, turned into words only where somebody looks."""

    sums: Whole  # (3, Y, L) expected failures and planned in hundredths, cents
    spreads: Whole  # (4, 4, Y, L) hundredths: count, cost, count so far, cost so far; by quantile

    def rows(self, label: int) -> list[dict[str, Any]]:
        sums = dict(zip(MEASURES, self.sums, strict=True))
        return _rows(label, sums, dict(zip(SPREADS, self.spreads, strict=True)))

    def whole_cost(self) -> Whole:
        """(L,) expected cents over all years."""
        return np.asarray(self.sums[2].sum(axis=0))

    def pick(self, labels: Sequence[int]) -> Figures:
        return Figures(self.sums[:, :, list(labels)], self.spreads[:, :, :, list(labels)])


MEASURES = ("failures", "planned", "cents")
SPREADS = ("count", "cost", "count_so_far", "cost_so_far")


def grouped_table(
    paths: Paths, expected: Expected, labels: Sequence[Any], in_year: Array
) -> list[tuple[Any, list[dict[str, Any]]]]:
    """One row set a label, in the order of first appearance: each a list of the years' figures."""
    names, found = figures(paths, expected, labels, in_year)
    return [(name, found.rows(index)) for index, name in enumerate(names)]


def figures(
    paths: Paths, expected: Expected, labels: Sequence[Any], in_year: Array
) -> tuple[list[Any], Figures]:
    """The labels in the order of first appearance, and their figures by year."""
    names = list(dict.fromkeys(labels))
    place = {name: index for index, name in enumerate(names)}
    label = np.array([place[one] for one in labels], dtype=np.int64)
    both = paths.failures + paths.planned if paths.planned.any() else paths.failures
    counts = _gathered(both, label, in_year)
    money = _gathered(paths.cost, label, in_year)
    whole_year = in_year.astype(np.int64).T
    order, starts = _runs(label)
    sums = [
        np.add.reduceat((whole_year @ getattr(expected, name))[:, order], starts, axis=1) for name in MEASURES
    ]
    spreads = [_quantiles(values) for values in (counts, money, counts.cumsum(axis=1), money.cumsum(axis=1))]
    return names, Figures(np.stack(sums), np.stack(spreads))


def _runs(label: Whole) -> tuple[Whole, Whole]:
    """Groups in the order of their labels, and where each label begins."""
    order = np.argsort(label, kind="stable")
    return order, np.flatnonzero(np.r_[True, np.diff(label[order]) > 0])


def _gathered(values: npt.NDArray[Any], label: Whole, in_year: Array) -> Array:
    """(R, T, G) summed to (R, Y, L): years first, then runs of one label, so that the work grows with the groups
    and not with groups times labels."""
    if values.dtype.kind == "f":
        by_year = np.matmul(in_year.T, values)
    else:  # counts: far below 2**24, so that single precision holds them exactly
        by_year = np.matmul(in_year.T.astype(np.float32), values.astype(np.float32))
    order, starts = _runs(label)
    return np.asarray(np.add.reduceat(by_year[:, :, order], starts, axis=2), dtype=np.float64)


def _quantiles(values: Array) -> Whole:
    """(4, Y, L) in hundredths."""
    found = np.quantile(values, list(QUANTILES.values()), axis=0)
    return np.rint(found * 100).astype(np.int64)


def _rows(label: int, sums: Mapping[str, Whole], spreads: Mapping[str, Whole]) -> list[dict[str, Any]]:
    failures, planned, cents = (sums[name][:, label] for name in ("failures", "planned", "cents"))
    both = failures + planned
    rows = []
    for year in range(len(cents)):
        rows.append(
            {
                "failures": hundredths(failures[year]),
                "planned": hundredths(planned[year]),
                "count": _figures(hundredths(both[year]), spreads["count"][:, year, label]),
                "cost": _figures(hundredths(cents[year]), spreads["cost"][:, year, label]),
                "count_so_far": _figures(
                    hundredths(both[: year + 1].sum()), spreads["count_so_far"][:, year, label]
                ),
                "cost_so_far": _figures(
                    hundredths(cents[: year + 1].sum()), spreads["cost_so_far"][:, year, label]
                ),
            }
        )
    return rows


def _figures(expected: str, quantiles: Whole) -> dict[str, str]:
    return {"expected": expected} | {
        name: hundredths(value) for name, value in zip(QUANTILES, quantiles, strict=True)
    }


def hundredths(number: Any) -> str:
    """A whole number of hundredths as an exact decimal text."""
    return str(Decimal(int(number)).scaleb(-2))
