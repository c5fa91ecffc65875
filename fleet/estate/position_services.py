"""The verb of a position's own facts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from fleet.estate.history import record_change
from fleet.estate.models import Position

CHANGEABLE = frozenset(
    field.name
    for field in Position._meta.concrete_fields
    if field.name not in {"id", "organisation", "building"}
)


@transaction.atomic
def change_position(position_id: int, values: Mapping[str, Any], reason: str = "") -> Position:
    """Change facts of a place. Unchanged values change nothing and leave no entry."""
    position: Position = Position.objects.select_for_update(of=("self",)).get(pk=position_id)
    unknown = set(values) - CHANGEABLE
    if unknown:
        raise ValueError(f"These fields cannot be changed here: {', '.join(sorted(unknown))}.")
    changes = {n: (getattr(position, n), v) for n, v in values.items() if getattr(position, n) != v}
    if not changes:
        return position
    for name, (_, after) in changes.items():
        setattr(position, name, after)
    if (
        Position.objects.filter(building_id=position.building_id, label=position.label)
        .exclude(pk=position.pk)
        .exists()
    ):
        raise ValidationError({"label": "Another position in this building has this name."})
    pressure = position.static_pressure_psi
    if pressure is not None and not 1 <= pressure <= 300:
        raise ValidationError(
            {"static_pressure_psi": f"{pressure:g} psi is not possible: give 1 to 300 psi."}
        )
    position.save()
    record_change(position, "changed", changes, reason)
    return position
