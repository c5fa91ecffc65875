"""From a client's record to the futures of the surveyed heaters. Runs in a worker; heavy libraries stay inside."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from fleet.contracts.models import Survey

if TYPE_CHECKING:
    from forecasting.contract_futures import Futures, Laws
    from forecasting.episodes import FutureStates
    from forecasting.posterior import Posterior
    from forecasting.repairs import RepairLaw

PATHS = 500
DRAWS = 1000
LAWS = ("life_shape", "life_scale", "repairs_by_age_10", "repair_shape")
OLDEST = 40  # ages of the table that later changes are priced from


@dataclass(frozen=True)
class Answer:
    packed: bytes
    figures: dict[str, Any]
    fail_chance: dict[int, float]
    age: dict[int, float]
    version: str


def compute(
    survey: Survey,
    heater_ids: Sequence[int],
    as_of: date,
    report: Callable[[float, str], None],
    cancelled: Callable[[], bool],
) -> Answer:
    """Fit, simulate and sum up. The current scope must reach the client's properties and no other client's."""
    import numpy as np

    from fleet.planning.chain import Asked, fit_records
    from fleet.planning.frames import records_in_scope
    from forecasting.contract_futures import contract_futures
    from forecasting.episodes import future_states
    from forecasting.repairs import fit_repairs, load_repair_prior, repair_history

    report(0.02, "Reading the register")
    records = records_in_scope(as_of)
    asked = Asked(survey.horizon_years, survey.seed, DRAWS, {}, 0.0, 0.0)
    posterior, diagnostics = fit_records(records, asked, report, cancelled)
    report(0.62, "Reading the repairs")
    kinds = posterior.kinds
    law = fit_repairs(repair_history(records, kinds), kinds, load_repair_prior(kinds), DRAWS, survey.seed)
    states = _chosen(future_states(records, kinds, posterior.buildings, survey.horizon_years + 1), heater_ids)
    report(0.7, "Looking ahead for each heater")
    futures = contract_futures(posterior, states, law, survey.horizon_years, PATHS, survey.seed)
    report(0.95, "Ruling on each heater")
    cell, heater = futures.place(futures.failures)
    failed = np.zeros((futures.paths, len(states.heater_ids)), dtype=bool)
    failed[cell // futures.years, heater] = True
    ages = (states.age_nodes * states.age_weights).sum(axis=1)
    numbers = [int(number) for number in states.heater_ids]
    figures = {
        "as_of": as_of.isoformat(),
        "failures_on_record": diagnostics["events_total"],
        "repairs_on_record": law.events_by_kind,
        "by_age": _by_age(posterior, law),
        "paths": futures.paths,
    }
    return Answer(
        pack(futures),
        figures,
        dict(zip(numbers, (float(value) for value in failed.mean(axis=0)), strict=True)),
        dict(zip(numbers, (float(value) for value in ages), strict=True)),
        posterior.version,
    )


def _chosen(states: FutureStates, heater_ids: Sequence[int]) -> FutureStates:
    from dataclasses import replace

    import numpy as np

    rows = np.flatnonzero(np.isin(states.heater_ids, list(heater_ids)))
    if not len(rows):
        raise ValueError("None of these heaters has dates that a forecast can be made from.")
    whole = ("heater_ids", "kind", "building", "position_id", "property_id", "age_nodes", "age_weights", "x")
    parts = {name: getattr(states, name)[rows] for name in whole}
    return replace(states, **parts, known={name: mask[rows] for name, mask in states.known.items()})


def _by_age(posterior: Posterior, law: RepairLaw) -> dict[str, Any]:
    """Per kind, for each whole year of age: chance of failing in the coming year at typical conditions, and repairs."""
    import numpy as np

    table = {}
    ages = np.arange(OLDEST, dtype=float)[None, :]
    for index, kind in enumerate(posterior.kinds):
        shape = np.exp(posterior.log_shape[:, index, None])
        scale = np.exp(posterior.log_scale[:, index, None])
        hazard = ((ages + 1) / scale) ** shape - (ages / scale) ** shape
        draws = np.arange(len(law.shape))[:, None]
        repairs = law.expected(draws, np.full((1, 1), index), ages, ages + 1)
        table[kind] = {
            "failures": [round(float(value), 5) for value in (-np.expm1(-hazard)).mean(axis=0)],
            "repairs": [round(float(value), 5) for value in repairs.mean(axis=0)],
        }
    return table


def pack(futures: Futures) -> bytes:
    """The futures as bytes of a row; happenings rise, so their differences are small and pack well even in a hurry."""
    import numpy as np

    tables = {
        "heater_ids": futures.heater_ids,
        "size": np.array([futures.paths, futures.years]),
        "failures": np.diff(futures.failures, prepend=0).astype(np.uint32),
        "repairs": np.diff(futures.repairs, prepend=0).astype(np.uint32),
        "growth": futures.growth.astype(np.float32),
        "luck": futures.luck.astype(np.float32),
        "more_by_water": futures.more_by_water.astype(np.float32),
    }
    if futures.laws is not None:
        tables |= {f"law_{name}": getattr(futures.laws, name).astype(np.float32) for name in LAWS}
        tables["law_kinds"] = np.array(futures.laws.kinds)
        tables["law_dispersion"] = np.array(futures.laws.dispersion)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as kept:
        for name, table in tables.items():
            with kept.open(f"{name}.npy", "w") as file:
                np.lib.format.write_array(file, np.asanyarray(table))
    return out.getvalue()


def unpack(packed: bytes | memoryview) -> Futures:
    import numpy as np

    from forecasting.contract_futures import Futures

    with np.load(io.BytesIO(bytes(packed)), allow_pickle=False) as kept:
        paths, years = (int(value) for value in kept["size"])
        return Futures(
            kept["heater_ids"].astype(np.int64),
            paths,
            years,
            kept["failures"].astype(np.int64).cumsum(),
            kept["repairs"].astype(np.int64).cumsum(),
            kept["growth"].astype(float),
            kept["luck"].astype(float),
            kept["more_by_water"].astype(float),
            _laws(kept),
        )


def _laws(kept: Any) -> Laws | None:
    """None where an earlier version kept the futures without them."""
    from forecasting.contract_futures import Laws

    if "law_kinds" not in kept:
        return None
    tables = {name: kept[f"law_{name}"].astype(float) for name in LAWS}
    kinds = tuple(str(kind) for kind in kept["law_kinds"])
    return Laws(kinds=kinds, dispersion=float(kept["law_dispersion"]), **tables)
