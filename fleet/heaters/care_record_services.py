"""The verbs of service records and water tests: entered, changed with history; never erased."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from fleet.estate.calendar import today_of
from fleet.estate.history import record_change
from fleet.estate.models import Building, Property
from fleet.estate.scope import ScopedModel
from fleet.heaters.dates import bounds_problem
from fleet.heaters.models import Heater, ServiceRecord, WaterTest

KEPT_BY_THE_PROGRAM = frozenset({"id", "organisation", "heater", "property", "building"})


def _fields_of(model: type[ScopedModel]) -> frozenset[str]:
    return frozenset(field.name for field in model._meta.concrete_fields) - KEPT_BY_THE_PROGRAM


def _put(
    row: Any, values: Mapping[str, Any], date_name: str, today: date, where: dict[str, Any]
) -> dict[str, Any]:
    """Set the values and save what is possible. Returns what changed; nothing changed: nothing saved."""
    unknown = set(values) - _fields_of(type(row))
    if unknown:
        raise ValueError(f"These fields cannot be given here: {', '.join(sorted(unknown))}.")
    is_new = row.pk is None
    changes = {n: (None if is_new else getattr(row, n), v) for n, v in values.items() if getattr(row, n) != v}
    if not (changes or is_new):
        return {}
    for name, (_, after) in changes.items():
        setattr(row, name, after)
    earliest, latest, precision = (
        getattr(row, f"{date_name}_{end}") for end in ("earliest", "latest", "precision")
    )
    if problem := bounds_problem(earliest, latest, precision, today):
        raise ValidationError({f"{date_name}_earliest": problem})
    same_day = {f"{date_name}_earliest": earliest, f"{date_name}_latest": latest}
    if earliest is not None and type(row).objects.filter(**where, **same_day).exclude(pk=row.pk).exists():
        raise ValidationError({f"{date_name}_earliest": "The same is on record for this day already."})
    kept = {"organisation", "heater", "property", "building"} & {f.name for f in row._meta.concrete_fields}
    row.full_clean(exclude=kept, validate_unique=False, validate_constraints=False)
    try:
        with transaction.atomic():
            row.save()
    except IntegrityError as error:
        raise ValidationError("The values are not possible together.") from error
    return changes


@transaction.atomic
def add_service(heater: Heater, values: Mapping[str, Any], reason: str = "") -> ServiceRecord:
    row = ServiceRecord(organisation_id=heater.organisation_id, heater=heater)
    return _keep_service(row, heater, values, "entered", reason)


@transaction.atomic
def change_service(service_id: int, values: Mapping[str, Any], reason: str = "") -> ServiceRecord:
    rows = ServiceRecord.objects.select_for_update(of=("self",))
    row: ServiceRecord = rows.select_related("heater__position__building__property").get(pk=service_id)
    return _keep_service(row, row.heater, values, "changed", reason)


def _keep_service(
    row: ServiceRecord, heater: Heater, values: Mapping[str, Any], verb: str, reason: str
) -> ServiceRecord:
    today = today_of(heater.organisation, heater.position.building.property)
    where = {"heater_id": heater.pk, "kind": values.get("kind", row.kind)}
    if changes := _put(row, values, "done", today, where):
        record_change(row, verb, changes, reason)
    return row


@transaction.atomic
def add_water_test(
    property_: Property, building: Building | None, values: Mapping[str, Any], reason: str = ""
) -> WaterTest:
    """Of a whole property, or of one of its buildings."""
    if building is not None and building.property_id != property_.pk:
        raise ValidationError({"building_id": f"Building {building.pk} stands at another property."})
    row = WaterTest(organisation_id=property_.organisation_id, property=property_, building=building)
    return _keep_water_test(row, values, "entered", reason)


@transaction.atomic
def change_water_test(test_id: int, values: Mapping[str, Any], reason: str = "") -> WaterTest:
    rows = WaterTest.objects.select_for_update(of=("self",)).select_related("property__organisation")
    return _keep_water_test(rows.get(pk=test_id), values, "changed", reason)


def _keep_water_test(row: WaterTest, values: Mapping[str, Any], verb: str, reason: str) -> WaterTest:
    today = today_of(row.property.organisation, row.property)
    where = {
        "property_id": row.property_id,
        "building_id": row.building_id,
        "treatment": values.get("treatment", row.treatment),
    }
    if changes := _put(row, values, "tested", today, where):
        record_change(row, verb, changes, reason)
    return row
