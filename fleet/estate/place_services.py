"""The verbs of properties, buildings and new positions. Each one transaction, with its history."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from fleet.estate.calendar import today_of
from fleet.estate.history import record_change
from fleet.estate.models import Building, Organisation, Position, Property
from fleet.estate.scope import ScopedModel
from fleet.pages.words import a_day

KEPT_BY_THE_PROGRAM = frozenset({"id", "organisation", "property", "building"})


def fields_of(model: type[ScopedModel]) -> frozenset[str]:
    """The facts of such a place that a person gives."""
    return frozenset(field.name for field in model._meta.concrete_fields) - KEPT_BY_THE_PROGRAM


def _not_to_come(row: ScopedModel) -> None:
    """Days since which something holds lie behind us: a forecast counts from them."""
    if isinstance(row, Property):
        name, today = "records_since", today_of(row.organisation, row if row.pk else None)
    elif isinstance(row, Building):
        name, today = "softened_since", today_of(row.property.organisation, row.property)
    else:
        return
    if (day := getattr(row, name)) is not None and day > today:
        raise ValidationError(
            {name: f"{a_day(day)} is in the future: give a day no later than {a_day(today)}."}
        )


def _save(row: ScopedModel) -> None:
    """What the database would refuse, said in words and by field."""
    _not_to_come(row)
    kept = {"organisation", "property", "building"} & {field.name for field in row._meta.concrete_fields}
    row.full_clean(exclude=kept, validate_unique=False, validate_constraints=False)
    try:
        with transaction.atomic():
            row.save()
    except IntegrityError as error:
        raise ValidationError("The values are not possible together.") from error


def _name_is_free(row: ScopedModel, **where: Any) -> None:
    (field, _), *_ = where.items()
    others = type(row).objects.filter(**where).exclude(pk=row.pk)
    if others.exists():
        raise ValidationError({field: f"Another {row._meta.verbose_name} here has this name."})


def _add(row: ScopedModel, values: Mapping[str, Any], reason: str, **unique: str) -> None:
    unknown = set(values) - fields_of(type(row))
    if unknown:
        raise ValueError(f"These fields cannot be given here: {', '.join(sorted(unknown))}.")
    changes = {}
    for name, after in values.items():
        if after != getattr(row, name):
            changes[name] = (None, after)
            setattr(row, name, after)
    _name_is_free(row, **{name: getattr(row, lookup) for name, lookup in unique.items()})
    _save(row)
    record_change(row, "entered", changes, reason)


def _change(row: ScopedModel, values: Mapping[str, Any], reason: str, **unique: str) -> None:
    unknown = set(values) - fields_of(type(row))
    if unknown:
        raise ValueError(f"These fields cannot be changed here: {', '.join(sorted(unknown))}.")
    changes = {n: (getattr(row, n), v) for n, v in values.items() if getattr(row, n) != v}
    if not changes:
        return
    for name, (_, after) in changes.items():
        setattr(row, name, after)
    _name_is_free(row, **{name: getattr(row, lookup) for name, lookup in unique.items()})
    _save(row)
    record_change(row, "changed", changes, reason)


@transaction.atomic
def add_property(organisation: Organisation, values: Mapping[str, Any], reason: str = "") -> Property:
    row = Property(organisation=organisation)
    _add(row, values, reason, name="name", organisation_id="organisation_id")
    return row


@transaction.atomic
def change_property(property_id: int, values: Mapping[str, Any], reason: str = "") -> Property:
    row: Property = Property.objects.select_for_update(of=("self",)).get(pk=property_id)
    _change(row, values, reason, name="name", organisation_id="organisation_id")
    return row


@transaction.atomic
def say_records_since(organisation: Organisation, day: date, reason: str = "") -> int:
    """Say it of every property within reach that does not say since when every ending was written down; how many."""
    rows = list(
        Property.objects.select_for_update(of=("self",))
        .filter(organisation=organisation, records_since=None)
        .order_by("pk")
    )
    for row in rows:
        row.records_since = day
        _save(row)
        record_change(row, "changed", {"records_since": (None, day)}, reason)
    return len(rows)


@transaction.atomic
def add_building(property_: Property, values: Mapping[str, Any], reason: str = "") -> Building:
    row = Building(organisation_id=property_.organisation_id, property=property_)
    _add(row, values, reason, name="name", property_id="property_id")
    return row


@transaction.atomic
def change_building(building_id: int, values: Mapping[str, Any], reason: str = "") -> Building:
    row: Building = Building.objects.select_for_update(of=("self",)).get(pk=building_id)
    _change(row, values, reason, name="name", property_id="property_id")
    return row


@transaction.atomic
def add_position(building: Building, values: Mapping[str, Any], reason: str = "") -> Position:
    row = Position(organisation_id=building.organisation_id, building=building)
    _add(row, values, reason, label="label", building_id="building_id")
    return row
