"""What a replacement calls for at one place: due, not due, or not known. Pure decisions on what the record says.

Local code decides; these are the usual duties, each with its source in `fixtures/cost_items.csv`.
"""

from __future__ import annotations

from dataclasses import dataclass

from fleet.heaters.models import GAS, TANKLESS, Kind

DRAFT_HOOD = frozenset({Kind.GAS_STORAGE_ATMOSPHERIC, Kind.COMMERCIAL_GAS_STORAGE})
CENTRAL = frozenset({Kind.COMMERCIAL_GAS_STORAGE, Kind.COMMERCIAL_ELECTRIC_STORAGE, Kind.BOILER_WITH_TANK})
SEISMIC = ("D", "E", "F")
NOT_SEISMIC = frozenset({"A", "B", "C", "NONE", "NO", "0"})
HOT_STORAGE_F = 140.0


@dataclass(frozen=True)
class Place:
    """What prices depend on at one heater; None and "" mean that the record does not say."""

    kind: str
    capacity_gal: float | None = None
    setpoint_f: float | None = None
    fuel: str = ""
    below: str = ""
    has_pan: bool | None = None
    has_drain: bool | None = None
    has_leak_alarm: bool | None = None
    closed_system: bool | None = None
    has_expansion_tank: bool | None = None
    seismic_zone: str = ""
    hard_access: bool | None = None
    has_mixing_valve: bool | None = None
    has_sediment_trap: bool | None = None
    has_seismic_straps: bool | None = None
    vent_lined: bool | None = None
    has_240v_circuit: bool | None = None
    property_id: int = 0


def both(*answers: bool | None) -> bool | None:
    """And, with 'not known': one no settles it."""
    if any(answer is False for answer in answers):
        return False
    return None if any(answer is None for answer in answers) else True


def _not(answer: bool | None) -> bool | None:
    return None if answer is None else not answer


def _in_seismic_zone(zone: str) -> bool | None:
    written = zone.strip().upper()
    if not written:
        return None
    if written in NOT_SEISMIC:
        return False
    return written.startswith(SEISMIC) or None


def stored_hot(place: Place, kind: str) -> bool | None:
    """Whether water is stored so hot that it must be mixed down; all that prices ask of a set point."""
    return (
        True if kind in CENTRAL else None if place.setpoint_f is None else place.setpoint_f >= HOT_STORAGE_F
    )


def work_due(place: Place, going_in: str | None = None) -> dict[str, bool | None]:
    """Each item of code work and the usual extras: due (True), not due (False), not known (None).

    `going_in` is the kind of the successor, the same kind when not given.
    """
    kind = going_in or place.kind
    storage = kind not in TANKLESS
    hot = stored_hot(place, kind)
    above_ground = None if not place.below else place.below != "ground"
    has_both = both(place.has_pan, place.has_drain)
    return {
        "access": place.hard_access,
        "vent_connector": kind in DRAFT_HOOD,
        "expansion_tank": both(storage, place.closed_system, _not(place.has_expansion_tank)),
        "pan_and_drain": both(storage, above_ground, _not(has_both)),
        "sediment_trap": both(kind in GAS, _not(place.has_sediment_trap)),
        "vent_relining": both(kind in DRAFT_HOOD, _not(place.vent_lined)),
        "seismic_straps": both(storage, _in_seismic_zone(place.seismic_zone), _not(place.has_seismic_straps)),
        "mixing_valve": both(hot, _not(place.has_mixing_valve)),
    }
