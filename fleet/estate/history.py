"""Writing history: called inside the transaction of the verb that makes the change."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from operator import attrgetter
from typing import Any

from django.apps import apps
from django.db.models import QuerySet

from fleet.estate.history_rows import HistoryEntry
from fleet.estate.scope import ScopedModel, current_scope


@dataclass(frozen=True)
class Change:
    subject: ScopedModel
    verb: str
    changes: Mapping[str, tuple[Any, Any]] = field(default_factory=dict)
    reason: str = ""
    property_id: int | None = None


def _property_id(subject: ScopedModel) -> int | None:
    path = subject.property_path
    if path is None:
        return None
    value = attrgetter(path.replace("__", "."))(subject)
    return value if isinstance(value, int) or value is None else int(value.pk)


def record_changes(changes: Iterable[Change]) -> None:
    """Write many entries in one statement. `changes` maps a field to (before, after)."""
    scope = current_scope()
    rows = [
        HistoryEntry(
            organisation_id=change.subject.organisation_id,
            property_id=change.property_id
            if change.property_id is not None
            else _property_id(change.subject),
            person_id=scope.person_id,
            actor=scope.actor,
            verb=change.verb,
            subject_kind=change.subject._meta.model_name or "",
            subject_id=change.subject.pk,
            subject_label=str(change.subject)[:300],
            changes={name: list(pair) for name, pair in change.changes.items()},
            reason=change.reason,
        )
        for change in changes
    ]
    HistoryEntry.objects.bulk_create(rows, batch_size=2000)


def record_change(
    subject: ScopedModel, verb: str, changes: Mapping[str, tuple[Any, Any]] | None = None, reason: str = ""
) -> None:
    record_changes([Change(subject, verb, changes or {}, reason)])


def history_in_sight(plans: bool) -> QuerySet[HistoryEntry]:
    """The newest first. Of offers, contracts and a company's prices only who may plan reads: neither here nor there."""
    rows: QuerySet[HistoryEntry] = HistoryEntry.objects.all()
    if plans:
        return rows
    shut = [model._meta.model_name for model in apps.get_models() if getattr(model, "for_planners", False)]
    return rows.exclude(subject_kind__in=shut)
