"""Dated records of heaters turned into exposure episodes for the lifetime model.

An episode is a stretch of one heater's life, on the age scale in years, during which its covariates
stand still.  A life is cut wherever a covariate changes, so no episode carries knowledge of the future.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
import pandas as pd

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

COVARIATES: tuple[str, ...] = (
    "anode_spent",  # 0 protected .. 1 anode consumed
    "sediment",  # kg of scale since the last flush per 10 gal of tank
    "hardness",  # per 100 mg/L as CaCO3 above 120
    "softened",  # 1 when the water in the tank is softened
    "setpoint",  # per 10 F above 125 F
    "pressure",  # per 10 psi above 60 psi
    "no_expansion_control",  # 1 on a closed system with no expansion tank
    "draw_per_gallon",  # log of homes served per gallon of tank against the typical ratio of the kind
)
FAILURE_ENDINGS: tuple[str, ...] = ("tank_leak", "failed_beyond_repair")


@dataclass(frozen=True)
class Records:
    """Everything known of the heaters up to and including ``as_of`` (frames as the contract lists them)."""

    heaters: pd.DataFrame
    services: pd.DataFrame
    waters: pd.DataFrame
    as_of: date


@dataclass(frozen=True)
class Episodes:
    """Exposure episodes: one row an episode and install-date node; ages in years.

    A heater whose install date is vague has several nodes (possible install dates).  Its likelihood is
    ``sum over nodes of exp(node_log_weight + log likelihood of the node's rows)``; heaters with one node
    carry weight log 1 = 0.  Rows of one heater stand together, and within it rows of one node.
    """

    heater: IntArray  # (n,) index into heater_ids
    kind: IntArray  # (n,) index into kinds
    building: IntArray  # (n,) index into buildings
    entry_age: FloatArray  # (n,) years
    exit_age: FloatArray  # (n,) years, greater than entry_age
    event: BoolArray  # (n,) failed at exit_age
    interval_lower: FloatArray  # (n,) years: the failure fell in (interval_lower, exit_age]; NaN = exact
    x: FloatArray  # (n, P) covariates, 0 = typical
    node: IntArray  # (n,) node number within the heater
    node_log_weight: FloatArray  # (n,) log weight of the row's node
    heater_ids: tuple[int, ...]
    kinds: tuple[str, ...]
    buildings: tuple[int, ...]
    covariates: tuple[str, ...] = COVARIATES


@dataclass(frozen=True)
class FutureStates:
    """Heaters in service on the day of the forecast, with their covariates in each coming year."""

    heater_ids: IntArray  # (N,)
    kind: IntArray  # (N,) index into the posterior's kinds
    building: IntArray  # (N,) index into the posterior's buildings; -1 = never seen by the fit
    position_id: IntArray  # (N,)
    property_id: IntArray  # (N,)
    age_nodes: FloatArray  # (N, Q) years: possible ages
    age_weights: FloatArray  # (N, Q), each row sums to 1; unused nodes weigh 0
    x: FloatArray  # (N, H, P) covariates in coming year h
    known: dict[str, BoolArray]  # by covariate, and "age": measured rather than assumed


def build_episodes(records: Records, kinds: Sequence[str] | None = None) -> Episodes:
    """Cut the recorded lives into episodes.  ``kinds`` fixes the order of kinds (default: those seen)."""
    raise NotImplementedError


def future_states(
    records: Records,
    posterior_kinds: Sequence[str],
    posterior_buildings: Sequence[int],
    horizon_years: int,
    care: str = "as_recorded",
) -> FutureStates:
    """States of the heaters in service over the coming years.

    ``care``: 'as_recorded' goes on as each heater was cared for so far, 'kept_up' flushes yearly and renews
    anodes in time, 'none' does nothing more.  For a what-if, change the records (a service dated ``as_of``,
    ``softened_since``) and call again.
    """
    raise NotImplementedError
