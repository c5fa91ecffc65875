"""Small invented records for the tests of episodes and fits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np
import pandas as pd

from forecasting.episodes import Records

PLAIN: dict[str, object] = {
    "kind": "gas_storage_atmospheric",
    "property_id": 1,
    "building_id": 1,
    "installed_earliest": "2010-01-01",
    "installed_latest": "2010-01-01",
    "made_earliest": None,
    "made_latest": None,
    "record_start": "2015-01-01",
    "ended_earliest": None,
    "ended_latest": None,
    "ending": "",
    "capacity_gal": np.nan,
    "input_btu_h": np.nan,
    "setpoint_f": np.nan,
    "anode_kind": "",
    "anode_count": np.nan,
    "closed_system": None,
    "has_expansion_tank": None,
    "recirculation": None,
    "static_pressure_psi": np.nan,
    "units_served": np.nan,
    "softened_since": None,
}
DAYS = [name for name in PLAIN if name.endswith(("_earliest", "_latest", "_since", "_start"))]
SERVICE = {"done_earliest": None, "done_latest": None, "anode_left_fraction": np.nan, "setpoint_f": np.nan}
WATER_COLUMNS = ["building_id", "treatment", "tested_on", "hardness_mg_l", "conductivity_us_cm"]


def made_records(
    heaters: Sequence[Mapping[str, object]],
    services: Sequence[Mapping[str, object]] = (),
    waters: Sequence[Sequence[object]] = (),
    as_of: date = date(2025, 1, 1),
) -> Records:
    """Records of heaters given by what differs from PLAIN; services need heater_id, kind and ``done``."""
    rows = [{**PLAIN, "heater_id": i + 1, "position_id": i + 1, **row} for i, row in enumerate(heaters)]
    frame = pd.DataFrame(rows, columns=["heater_id", "position_id", *PLAIN])
    for name in DAYS:
        frame[name] = pd.to_datetime(frame[name])
    done = [{**SERVICE, **s, "done_earliest": s["done"], "done_latest": s["done"]} for s in services]
    service_frame = pd.DataFrame(done, columns=["heater_id", "kind", *SERVICE])
    for name in ("done_earliest", "done_latest"):
        service_frame[name] = pd.to_datetime(service_frame[name])
    water_frame = pd.DataFrame(list(waters), columns=WATER_COLUMNS)
    water_frame["tested_on"] = pd.to_datetime(water_frame["tested_on"])
    return Records(heaters=frame, services=service_frame, waters=water_frame, as_of=as_of)
