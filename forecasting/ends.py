"""What ended on joint paths, one entry an end: far smaller than a table of paths, periods and groups."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecasting.episodes import FloatArray

Int32Array = npt.NDArray[np.int32]


@dataclass(frozen=True)
class Ends:
    """Entries (n,): on which path, in which period and group, how many, and their money at this year's prices.

    The order of the entries is fixed by the question, so that sums over them are the same to the bit.
    """

    shape: tuple[int, int, int]  # (R, T, G)
    path: Int32Array
    period: Int32Array
    group: Int32Array
    failures: Int32Array
    planned: Int32Array
    money: FloatArray

    @classmethod
    def of_tables(
        cls, failures: npt.NDArray[np.integer], planned: npt.NDArray[np.integer], money: FloatArray
    ) -> Ends:
        """From whole tables (R, T, G)."""
        at = path, period, group = np.nonzero((failures != 0) | (planned != 0) | (money != 0))
        return cls(
            (failures.shape[0], failures.shape[1], failures.shape[2]),
            path.astype(np.int32),
            period.astype(np.int32),
            group.astype(np.int32),
            failures[at].astype(np.int32),
            planned[at].astype(np.int32),
            np.asarray(money[at], dtype=float),
        )

    def table(self, values: npt.NDArray[np.number]) -> FloatArray:
        """One of the entries' measures as a whole table (R, T, G)."""
        _, periods, groups = self.shape
        place = (self.path.astype(np.int64) * periods + self.period) * groups + self.group
        return np.asarray(np.bincount(place, values, int(np.prod(self.shape))), dtype=float).reshape(
            self.shape
        )


def joined(shape: tuple[int, int, int], parts: list[Ends]) -> Ends:
    """Entries of several parts one after the other."""
    if not parts:
        none = np.zeros(0, dtype=np.int32)
        return Ends(shape, none, none, none, none, none, np.zeros(0))
    names = ("path", "period", "group", "failures", "planned", "money")
    return Ends(shape, *(np.concatenate([getattr(part, name) for part in parts]) for name in names))
