"""The priors an organisation forecasts with: the shipped tables, and what it entered in their place.

`entered` is what a run needs to know and what goes into its digest; `shown` is the whole table for a page.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from django.db import transaction

from fleet.estate.history import record_change
from fleet.estate.models import Organisation
from fleet.estate.scope import current_scope
from fleet.heaters.models import Kind
from fleet.planning.cost_book import require_whole_organisation
from fleet.planning.prior_rows import PriorEntry

if TYPE_CHECKING:
    import pandas as pd

# (table, row, value, weight or sd): plain values, so that a digest of them is stable.
Entered = tuple[tuple[str, str, float, float], ...]
NAMES = {"lifetimes": ("row_id", "value", "weight"), "effects": ("covariate", "mean", "sd")}
LIMITS: dict[str, tuple[float, float]] = {
    "mean_life": (1, 60),
    "median_life": (1, 60),
    "shape": (0.5, 10),
    "weight": (0, 10),
    "effect": (-3, 3),
    "effect_sd": (0.01, 2),
    "building_dispersion": (0.001, 1),
    "building_dispersion_sd": (0.05, 3),
}
SETTING_LIMITS = (0.01, 2.0)  # the rows of the lifetimes table that are spreads


class PriorRefused(ValueError):
    """A prior that cannot be used; the message names the row, the value and what would be right."""


@dataclass(frozen=True)
class Row:
    """One row of either table as the page shows it."""

    table: str
    row_id: str
    name: str
    quantity: str
    definition: str
    value: float
    spread: float | None
    unit: str
    source: str
    status: str
    note: str
    shipped_value: float
    shipped_spread: float | None

    @property
    def entered(self) -> bool:
        return self.status == "entered"


def entered(organisation_id: int) -> Entered:
    """The figures in force that replace shipped ones, in a fixed order."""
    rows = PriorEntry.objects.filter(organisation_id=organisation_id, in_force=True)
    found = rows.order_by("table", "row_id").values_list("table", "row_id", "value", "spread")
    return tuple((table, row_id, value, spread) for table, row_id, value, spread in found)


def tables(changed: Entered = ()) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The shipped tables of lifetimes and effects with the entered figures in place, marked 'entered'.

    An entered row that is no longer shipped is left out.
    """
    from forecasting.lifetimes import read_effects, read_lifetimes

    found = {"lifetimes": read_lifetimes(), "effects": read_effects()}
    for table, row_id, value, spread in changed:
        key, value_column, spread_column = NAMES[table]
        here = found[table][key] == row_id
        for column, figure in ((value_column, value), (spread_column, spread)):
            found[table][column] = found[table][column].astype(float).mask(here, figure)
        found[table]["status"] = found[table]["status"].mask(here, "entered")
    return found["lifetimes"], found["effects"]


def shown(organisation_id: int) -> list[Row]:
    """Every row of both tables, used or not, with the shipped figure beside an entered one."""
    now, shipped = tables(entered(organisation_id)), tables()
    rows = []
    for table, current, original in zip(NAMES, now, shipped, strict=True):
        key, value_column, spread_column = NAMES[table]
        pairs = zip(current.to_dict("records"), original.to_dict("records"), strict=True)
        for row, before in pairs:
            life = table == "lifetimes"
            setting = life and row["quantity"].endswith(("_floor", "_definition", "_common", "_extra"))
            rows.append(
                Row(
                    table,
                    str(row[key]),
                    _name(str(row["kinds"] if life else row["covariate"])),
                    str(row["quantity"] if life else "effect"),
                    str(row["definition"]) if life else "effect on the log of the failure rate",
                    float(row[value_column]),
                    None if setting else float(row[spread_column]),
                    str(row["unit"]),
                    str(row["source"]),
                    str(row["status"]),
                    str(row["note"]),
                    float(before[value_column]),
                    None if setting else float(before[spread_column]),
                )
            )
    return rows


def _name(names: str) -> str:
    """Kinds or a circumstance in words."""
    if names == "*":
        return "all kinds"
    return "; ".join(
        str(Kind(name).label) if name in Kind.values else name.replace("_", " ") for name in names.split()
    )


def one(organisation_id: int, table: str, row_id: str) -> Row | None:
    return next(
        (row for row in shown(organisation_id) if (row.table, row.row_id) == (table, row_id)),
        None,
    )


@dataclass(frozen=True)
class KindPrior:
    """What the tables come to for one kind: median life and shape with 80 % ranges."""

    kind: str
    words: str
    median_years: float
    low_years: float
    high_years: float
    shape: float


def combined(organisation_id: int) -> list[KindPrior]:
    import numpy as np

    from forecasting.lifetimes import KINDS, load_prior

    prior = load_prior(KINDS, (), *tables(entered(organisation_id)))
    reach = 1.2816 * prior.log_median_sd
    low, high = np.exp(prior.log_median_mean - reach), np.exp(prior.log_median_mean + reach)
    return [
        KindPrior(
            kind,
            _name(kind),
            float(np.exp(prior.log_median_mean[i])),
            float(low[i]),
            float(high[i]),
            float(np.exp(prior.log_shape_mean[i])),
        )
        for i, kind in enumerate(KINDS)
    ]


@transaction.atomic
def enter(
    organisation: Organisation, table: str, row_id: str, value: float, spread: float | None, reason: str
) -> PriorEntry | None:
    """Put a figure in place of the shipped one, with a reason; None when nothing changes. It speaks in the next run.

    Raises PriorRefused naming the row, the value and what would be right.
    """
    require_whole_organisation(organisation.pk)
    row = one(organisation.pk, table, row_id)
    if row is None:
        raise PriorRefused(f"There is no row {row_id!r} in the table of {table}.")
    used = (row.spread if spread is None else spread) if row.spread is not None else 1.0
    _check(row, value, used or 0.0)
    if not reason.strip():
        raise PriorRefused(f"{row.row_id}: say why the figure is changed, and where the new one comes from.")
    if (value, used) == (row.value, row.spread if row.spread is not None else 1.0):
        return None
    _check_together(organisation.pk, (table, row_id, value, float(used or 0.0)))
    _close(organisation, table, row_id)
    entry = PriorEntry.objects.create(
        organisation=organisation,
        table=table,
        row_id=row_id,
        value=value,
        spread=used,
        reason=reason.strip()[:500],
        entered_by=current_scope().actor[:200],
    )
    changes: dict[str, tuple[Any, Any]] = {"value": (row.value, value)}
    if row.spread is not None:
        changes["weight" if table == "lifetimes" else "sd"] = (row.spread, used)
    record_change(entry, "entered", changes, reason.strip())
    return entry


@transaction.atomic
def return_to_shipped(organisation: Organisation, table: str, row_id: str, reason: str = "") -> bool:
    """Let the shipped figure speak again; False when it does already."""
    require_whole_organisation(organisation.pk)
    row = one(organisation.pk, table, row_id)
    if row is None or not row.entered:
        return False
    remaining = tuple(e for e in entered(organisation.pk) if e[:2] != (table, row_id))
    _usable(remaining, row_id)
    closed = _close(organisation, table, row_id)
    if closed is not None:
        record_change(
            closed, "returned to the shipped figure", {"value": (row.value, row.shipped_value)}, reason
        )
    return closed is not None


def _close(organisation: Organisation, table: str, row_id: str) -> PriorEntry | None:
    rows = PriorEntry.objects.filter(organisation=organisation, table=table, row_id=row_id, in_force=True)
    current: PriorEntry | None = rows.select_for_update().first()
    rows.update(in_force=False)
    return current


def _check(row: Row, value: float, spread: float) -> None:
    spread_name = "weight" if row.table == "lifetimes" else "standard deviation"
    if row.table == "lifetimes":
        limits, spread_limits = LIMITS.get(row.quantity, SETTING_LIMITS), LIMITS["weight"]
    elif row.row_id == "building_dispersion":
        limits, spread_limits = LIMITS["building_dispersion"], LIMITS["building_dispersion_sd"]
    else:
        limits, spread_limits = LIMITS["effect"], LIMITS["effect_sd"]
    for name, figure, (low, high) in (("value", value, limits), (spread_name, spread, spread_limits)):
        if not low <= figure <= high:  # refuses NaN too
            raise PriorRefused(f"{row.row_id}, {name}: {figure:g} cannot be; give {low:g} to {high:g}.")


def _check_together(organisation_id: int, wanted: tuple[str, str, float, float]) -> None:
    others = tuple(e for e in entered(organisation_id) if e[:2] != wanted[:2])
    _usable((*others, wanted), wanted[1])


def _usable(changed: Entered, row_id: str) -> None:
    from forecasting.lifetimes import KINDS, load_prior
    from forecasting.states import COVARIATES

    try:
        load_prior(KINDS, COVARIATES, *tables(changed))
    except ValueError as refusal:
        raise PriorRefused(f"{row_id}: with this figure the tables cannot be used ({refusal}).") from refusal
