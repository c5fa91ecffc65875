"""The verbs of one heater's record: put in, change, attach a file. Each one transaction, with its history."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from fleet.estate.calendar import today_of
from fleet.estate.history import record_change
from fleet.estate.models import Position
from fleet.estate.scope import current_scope
from fleet.heaters.attachments import CheckedFile
from fleet.heaters.dates import bounds_problem
from fleet.heaters.models import Attachment, Heater

CHANGEABLE = frozenset(
    field.name
    for field in Heater._meta.concrete_fields
    if field.name not in {"id", "organisation", "position", "version", "updated_at"}
)


class ChangedMeanwhile(Exception):
    """Somebody else changed the same record after it was read."""


def _differences(row: Any, values: Mapping[str, Any], allowed: frozenset[str]) -> dict[str, tuple[Any, Any]]:
    unknown = set(values) - allowed
    if unknown:
        raise ValueError(f"These fields cannot be changed here: {', '.join(sorted(unknown))}.")
    return {
        name: (getattr(row, name), value) for name, value in values.items() if getattr(row, name) != value
    }


def _checked(heater: Heater) -> None:
    """What the database refuses, said in words and before it is asked."""
    problems: dict[str, str] = {}
    today = today_of(heater.organisation, heater.position.building.property)
    for name in ("made", "installed", "removed"):
        earliest, latest, precision = (
            getattr(heater, f"{name}_{end}") for end in ("earliest", "latest", "precision")
        )
        if problem := bounds_problem(earliest, latest, precision, today):
            problems[name] = problem
    if (
        heater.removed_latest
        and heater.installed_earliest
        and heater.installed_earliest > heater.removed_latest
    ):
        problems["removed"] = "It cannot have left service before it was put in."
    if bool(heater.ending) != bool(heater.removed_precision):
        problems["ending"] = "Give both how it ended and when ('unknown' will do), or neither."
    others = Heater.objects.exclude(pk=heater.pk)
    if not heater.ending and others.filter(position_id=heater.position_id, ending="").exists():
        problems["ending"] = "Another heater is in service at this position. Record its ending first."
    if others.filter(organisation_id=heater.organisation_id, tag=heater.tag).exists():
        problems["tag"] = "Another heater already has this tag."
    if problems:
        raise ValidationError(problems)
    try:
        heater.full_clean(
            validate_unique=False, validate_constraints=False, exclude={"organisation", "position"}
        )
    except ValidationError as error:
        raise ValidationError(error.message_dict) from error


def _save(heater: Heater) -> None:
    try:
        with transaction.atomic():
            heater.save()
    except IntegrityError as error:
        raise ValidationError(
            "The values are not possible together: check the dates, and that capacity, input, set point and "
            "pressure are within what a water heater can have."
        ) from error


@transaction.atomic
def change_heater(heater_id: int, values: Mapping[str, Any], version: int, reason: str = "") -> Heater:
    """Change fields of a heater as it was read at `version`. Unchanged values change nothing and leave no entry."""
    heater: Heater = Heater.objects.select_for_update(of=("self",)).get(pk=heater_id)
    if heater.version != version:
        raise ChangedMeanwhile
    changes = _differences(heater, values, CHANGEABLE)
    if not changes:
        return heater
    for name, (_, after) in changes.items():
        setattr(heater, name, after)
    _checked(heater)
    heater.version += 1
    _save(heater)
    record_change(heater, "changed", changes, reason)
    return heater


@transaction.atomic
def put_in_heater(position: Position, values: Mapping[str, Any], reason: str = "") -> Heater:
    """Record a heater in a position where none is in service."""
    heater = Heater(organisation_id=position.organisation_id, position=position)
    changes = {}
    for name, after in values.items():
        if name not in CHANGEABLE:
            raise ValueError(f"{name} cannot be given here.")
        if after != getattr(heater, name):
            changes[name] = (None, after)
            setattr(heater, name, after)
    _checked(heater)
    _save(heater)
    record_change(heater, "entered", changes, reason)
    return heater


@transaction.atomic
def attach(heater: Heater, checked: CheckedFile) -> Attachment:
    """Keep a file that was checked; the same file twice on one heater is kept once."""
    known: Attachment | None = Attachment.objects.filter(heater=heater, sha256=checked.sha256).first()
    if known is not None:
        return known
    attachment = Attachment(
        organisation_id=heater.organisation_id,
        heater=heater,
        name=checked.name,
        content_type=checked.content_type,
        size_bytes=len(checked.content),
        sha256=checked.sha256,
        added_by_id=current_scope().person_id,
    )
    attachment.file.save(checked.name, checked.as_file(), save=False)
    attachment.save()
    record_change(heater, "attached a file", {"file": (None, checked.name)})
    return attachment
