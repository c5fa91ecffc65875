"""The record of the current scope as the three plain frames that the forecasting package reads.

Only what was known by `as_of` leaves here: later installs, endings, services and water tests are held back,
so that a forecast for a past day cannot know its own future.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import pandas as pd
from django.db.models import Count, Q, QuerySet

from fleet.heaters.models import Heater, ServiceRecord, WaterTest
from forecasting.episodes import Records

_HEATER = {
    "heater_id": "id",
    "kind": "kind",
    "property_id": "position__building__property_id",
    "building_id": "position__building_id",
    "position_id": "position_id",
    "installed_earliest": "installed_earliest",
    "installed_latest": "installed_latest",
    "made_earliest": "made_earliest",
    "made_latest": "made_latest",
    "ended_earliest": "removed_earliest",
    "ended_latest": "removed_latest",
    "ending": "ending",
    "capacity_gal": "capacity_gal",
    "input_btu_h": "input_btu_h",
    "setpoint_f": "setpoint_f",
    "anode_kind": "anode_kind",
    "anode_count": "anode_count",
    "closed_system": "position__closed_system",
    "has_expansion_tank": "position__has_expansion_tank",
    "recirculation": "recirculation",
    "static_pressure_psi": "position__static_pressure_psi",
    "units_served": "homes_served",
    "softened_since": "position__building__softened_since",
    "records_since": "position__building__property__records_since",
    "building_units": "position__building__units_served",
    "building_built": "position__building__year_built",
}
_SERVICE = ("heater_id", "kind", "done_earliest", "done_latest", "anode_left_fraction", "setpoint_f")
_MEASURES = (
    "hardness_mg_l",
    "calcium_mg_l",
    "alkalinity_mg_l",
    "ph",
    "dissolved_solids_mg_l",
    "conductivity_us_cm",
    "chloride_mg_l",
    "sulfate_mg_l",
    "temperature_c",
)
_FLOATS = (
    "capacity_gal",
    "input_btu_h",
    "setpoint_f",
    "anode_count",
    "static_pressure_psi",
    "units_served",
    "building_built",
)


def records_in_scope(as_of: date, heater_ids: Sequence[int] | None = None) -> Records:
    """Everything known by `as_of` of the heaters the current scope may see (or of those named)."""
    services = _services(as_of)
    heaters = _known_by(_heaters(), as_of)
    heaters["record_start"] = _record_start(heaters, as_of)
    waters = _waters(as_of, heaters)
    if heater_ids is not None:
        heaters = heaters[heaters["heater_id"].isin(list(heater_ids))].reset_index(drop=True)
    services = services[services["heater_id"].isin(heaters["heater_id"])].reset_index(drop=True)
    return Records(heaters=_contract(heaters), services=services, waters=waters, as_of=as_of)


def standing_by_property(as_of: date) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """(property, heaters on record) and (property, heaters in service) on a day, in the order of their numbers."""
    by_property = _on_record(as_of).values_list("position__building__property_id")
    in_service = by_property.filter(Q(ending="") | Q(removed_earliest__gt=as_of))
    counted = (rows.annotate(count=Count("pk")) for rows in (by_property, in_service))
    recorded, standing = (sorted(rows) for rows in counted)
    return recorded, standing


def kinds_known(as_of: date) -> set[str]:
    """The kinds of all heaters on record on a day."""
    return set(_on_record(as_of).values_list("kind", flat=True).distinct())


def _on_record(as_of: date) -> QuerySet[Heater]:
    return Heater.objects.exclude(installed_earliest__gt=as_of).order_by()


def _frame(rows: Any, columns: Sequence[str]) -> pd.DataFrame:
    return pd.DataFrame.from_records(list(rows), columns=list(columns))


def _as_dates(frame: pd.DataFrame, columns: Sequence[str]) -> None:
    for column in columns:
        frame[column] = pd.to_datetime(frame[column], errors="coerce").astype("datetime64[ns]")


def _heaters() -> pd.DataFrame:
    frame = _frame(Heater.objects.order_by("id").values_list(*_HEATER.values()), list(_HEATER))
    dates = [name for name in _HEATER if name.endswith(("_earliest", "_latest", "_since"))]
    _as_dates(frame, dates)
    for column in (*_FLOATS, "building_units"):
        frame[column] = pd.to_numeric(frame[column], errors="coerce").astype(float)
    return frame


def _services(as_of: date) -> pd.DataFrame:
    rows = ServiceRecord.objects.order_by("heater_id", "done_latest", "id").values_list(*_SERVICE)
    frame = _frame(rows, _SERVICE)
    _as_dates(frame, ("done_earliest", "done_latest"))
    for column in ("anode_left_fraction", "setpoint_f"):
        frame[column] = pd.to_numeric(frame[column], errors="coerce").astype(float)
    today = pd.Timestamp(as_of)
    frame = frame[~(frame["done_earliest"] > today)].copy()
    frame["done_latest"] = _not_after(frame["done_latest"], today)
    return frame.reset_index(drop=True)


def _known_by(frame: pd.DataFrame, as_of: date) -> pd.DataFrame:
    """Hold back what came later. An ending of unknown day stands, somewhere between install and `as_of`."""
    today = pd.Timestamp(as_of)
    frame = frame[~(frame["installed_earliest"] > today)].copy()
    frame["installed_latest"] = _not_after(frame["installed_latest"], today)
    later = frame["ended_earliest"] > today
    frame["ending"] = frame["ending"].mask(later, "")
    ended = frame["ending"] != ""
    latest = _not_after(frame["ended_latest"].fillna(today), today)
    earliest = frame["ended_earliest"].fillna(frame["installed_earliest"])
    frame["ended_latest"] = latest.where(ended)
    frame["ended_earliest"] = earliest.where(ended)
    return frame.reset_index(drop=True)


def _record_start(heaters: pd.DataFrame, as_of: date) -> pd.Series:
    """First day from which an ending here would have been written down, never before the install.

    The property says it (`records_since`); else nothing was watched before `as_of`. Neither a service nor an ending
    says it: a list of the heaters that stand today names the last flush of those that lived to be listed, and a few
    endings that somebody remembers are not all. Taken for it, they make such a fleet look far more lasting than it is.
    """
    start = heaters["records_since"].fillna(pd.Timestamp(as_of))
    latest_install = heaters["installed_earliest"].fillna(heaters["made_earliest"])
    return _not_after(start.where(~(latest_install > start), latest_install), pd.Timestamp(as_of))


def _not_after(days: pd.Series, last: pd.Timestamp) -> pd.Series:
    """Days past `last` become it; unknown days stay unknown."""
    return days.where(~(days > last), last)


def _waters(as_of: date, heaters: pd.DataFrame) -> pd.DataFrame:
    """Water tests, those of a whole property written out for each of its buildings. Undated ones are kept."""
    columns = ("property_id", "building_id", "treatment", "tested_earliest", "tested_latest", *_MEASURES)
    tests = _frame(WaterTest.objects.order_by("tested_latest", "id").values_list(*columns), columns)
    _as_dates(tests, ("tested_earliest", "tested_latest"))
    tests = tests[~(tests["tested_earliest"] > pd.Timestamp(as_of))]
    whole = tests[tests["building_id"].isna()].drop(columns="building_id")
    buildings = heaters[["property_id", "building_id"]].drop_duplicates()
    spread = whole.merge(buildings, on="property_id")
    own = tests[tests["building_id"].notna()]
    frame = pd.concat([part for part in (spread, own) if len(part)] or [own], ignore_index=True)
    half = (frame["tested_latest"] - frame["tested_earliest"]) / 2
    frame["tested_on"] = (frame["tested_earliest"] + half).dt.normalize()
    for column in _MEASURES:
        frame[column] = pd.to_numeric(frame[column], errors="coerce").astype(float)
    frame["building_id"] = frame["building_id"].astype("int64")
    wanted = ["building_id", "treatment", "tested_on", *_MEASURES]
    return frame[wanted].sort_values(["building_id", "tested_on"], kind="stable").reset_index(drop=True)


def _contract(heaters: pd.DataFrame) -> pd.DataFrame:
    """Homes served fall back to the building's homes shared out over its heaters in service."""
    in_service = heaters["ending"] == ""
    standing = heaters[in_service].groupby("building_id").size()
    shared = heaters["building_units"] / heaters["building_id"].map(standing)
    heaters = heaters.assign(units_served=heaters["units_served"].fillna(shared))
    for column in ("closed_system", "has_expansion_tank", "recirculation"):
        answers = heaters[column].to_numpy(dtype=object, copy=True)
        answers[pd.isna(answers)] = None  # not known
        heaters[column] = pd.Series(answers, index=heaters.index, dtype=object)
    for column in ("heater_id", "property_id", "building_id", "position_id"):
        heaters[column] = heaters[column].astype("int64")
    return heaters.drop(columns=["records_since", "building_units"]).reset_index(drop=True)
