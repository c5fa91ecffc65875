"""What would change a heater's outlook: the forecast run again on records changed by one action."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from forecasting.episodes import Records, future_states
from forecasting.posterior import Posterior
from forecasting.risk import failure_probabilities

LOWEST_SETPOINT_F = 120.0
SETPOINT_CUT_F = 10.0
TYPICAL_SETPOINT_F = 125.0
# Stored water under 140 F needs a plan against Legionella; see the cautions in the safety reference.
SETPOINT_CAUTION = (
    "Cooler stored water can let Legionella grow. Keep to local code and to the building's "
    "water management plan; where water is stored hot and mixed down, leave the set point alone."
)
ANODE_CAUTION = "Shut off energy and water and relieve pressure first. Work for a licensed plumber where the code says so."
SOFTENING_CAUTION = "A softener is an alteration: check the local code and the discharge rules first."
FLUSH_CAUTION = "The water drained is scalding hot. An old, never flushed valve may not close again."
EXPANSION_CAUTION = "Work for a licensed plumber; the tank is sized to the supply pressure by code."


@dataclass(frozen=True)
class Action:
    """One change to the records as of today, and what to mind when doing it."""

    name: str
    words: str
    caution: str
    change: Callable[[Records, list[int]], Records]


def _with_service(kind: str) -> Callable[[Records, list[int]], Records]:
    def change(records: Records, heater_ids: list[int]) -> Records:
        return _add_services(records, kind, heater_ids, None)

    return change


def _add_services(
    records: Records, kind: str, heater_ids: Sequence[int], setpoints: Sequence[float] | None
) -> Records:
    today = pd.Timestamp(records.as_of)
    added = pd.DataFrame({"heater_id": list(heater_ids)})
    added["kind"] = kind
    added["done_earliest"] = today
    added["done_latest"] = today
    added["anode_left_fraction"] = 1.0 if kind == "anode_renewed" else np.nan
    added["setpoint_f"] = np.nan if setpoints is None else list(setpoints)
    services = added if records.services.empty else pd.concat([records.services, added], ignore_index=True)
    return replace(records, services=services)


def _soften(records: Records, heater_ids: list[int]) -> Records:
    heaters = records.heaters.copy()
    today = pd.Timestamp(records.as_of)
    since = pd.to_datetime(heaters["softened_since"])
    heaters["softened_since"] = since.mask(heaters["heater_id"].isin(heater_ids) & since.isna(), today)
    return replace(records, heaters=heaters)


def _current_setpoints(records: Records, heater_ids: list[int]) -> pd.Series[float]:
    """Set point in force today: the last change on record, else the heater's own, else typical."""
    heaters = records.heaters.drop_duplicates("heater_id").set_index("heater_id")
    setpoint = heaters["setpoint_f"].astype(float).reindex(heater_ids)
    if not records.services.empty:
        changed = records.services[records.services["setpoint_f"].notna()].sort_values("done_latest")
        last = changed.groupby("heater_id")["setpoint_f"].last().reindex(heater_ids)
        setpoint = last.astype(float).where(last.notna(), setpoint)
    return setpoint.fillna(TYPICAL_SETPOINT_F)


def _lower_setpoint(records: Records, heater_ids: list[int]) -> Records:
    current = _current_setpoints(records, heater_ids)
    target = np.minimum(current, np.maximum(current - SETPOINT_CUT_F, LOWEST_SETPOINT_F))
    return _add_services(records, "setpoint_changed", heater_ids, target.tolist())


def _add_expansion(records: Records, heater_ids: list[int]) -> Records:
    heaters = records.heaters.copy()
    column = heaters["has_expansion_tank"].astype(object)
    heaters["has_expansion_tank"] = column.mask(heaters["heater_id"].isin(heater_ids), True)
    return replace(records, heaters=heaters)


ACTIONS: tuple[Action, ...] = (
    Action("renew_anode", "renew the anode", ANODE_CAUTION, _with_service("anode_renewed")),
    Action("flush", "flush the tank", FLUSH_CAUTION, _with_service("flush")),
    Action("soften", "soften the water", SOFTENING_CAUTION, _soften),
    Action("lower_setpoint", "lower the set point by 10 °F", SETPOINT_CAUTION, _lower_setpoint),
    Action("add_expansion_tank", "fit an expansion tank", EXPANSION_CAUTION, _add_expansion),
)


def what_would_change(
    posterior: Posterior,
    records: Records,
    heater_ids: Sequence[int],
    horizon_years: int = 5,
    actions: Sequence[str] | None = None,
    care: str = "as_recorded",
) -> pd.DataFrame:
    """Computed effect of each action, taken today, on the chance of failing within ``horizon_years``.

    The forecast runs on the records as they are and on the records with the action in them, draw by draw,
    so the difference has its own 80 % interval.  Returns heater_id, action, words, horizon_years, p_before,
    p_after, change (p_after - p_before), change_p10, change_p90, caution.  An action that changes nothing
    for a heater shows 0.  Raises ValueError for an unknown action or a heater not in service.
    """
    known = {action.name: action for action in ACTIONS}
    chosen = list(known) if actions is None else list(actions)
    if unknown := [name for name in chosen if name not in known]:
        raise ValueError(f"action {unknown[0]!r}: choose from {', '.join(known)}")
    wanted = [int(h) for h in heater_ids]
    own = replace(
        records,
        heaters=records.heaters[records.heaters["heater_id"].isin(wanted)].reset_index(drop=True),
        services=records.services[records.services["heater_id"].isin(wanted)].reset_index(drop=True),
    )
    order, before = _chances(posterior, own, horizon_years, care)
    if missing := sorted(set(wanted) - set(order)):
        raise ValueError(f"heater {missing[0]} is not in service on {records.as_of}")
    parts = []
    for name in chosen:
        action = known[name]
        _, after = _chances(posterior, action.change(own, order), horizon_years, care)
        difference = after - before
        low, high = np.quantile(difference, [0.1, 0.9], axis=1)
        parts.append(
            pd.DataFrame(
                {
                    "heater_id": order,
                    "action": name,
                    "words": action.words,
                    "horizon_years": horizon_years,
                    "p_before": before.mean(axis=1),
                    "p_after": after.mean(axis=1),
                    "change": difference.mean(axis=1),
                    "change_p10": low,
                    "change_p90": high,
                    "caution": action.caution,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def _chances(
    posterior: Posterior, records: Records, horizon_years: int, care: str
) -> tuple[list[int], np.ndarray[tuple[int, ...], np.dtype[np.float64]]]:
    states = future_states(records, posterior.kinds, posterior.buildings, horizon_years, care)
    chances = failure_probabilities(posterior, states, (horizon_years,))[:, :, 0]
    return [int(h) for h in states.heater_ids], chances
