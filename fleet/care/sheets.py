"""What a crew takes along on paper: how each kind of task is done, and room to write down what was found."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from fleet.care import asking, selectors
from fleet.care.kinds import FindingField, TaskKind
from fleet.care.models import Task
from fleet.estate.models import Property
from fleet.heaters.models import Heater


@dataclass(frozen=True)
class ToWrite:
    kind: TaskKind
    tag: str
    place: str
    caution: str
    out_of_service: bool
    fields: tuple[FindingField, ...]


@dataclass(frozen=True)
class Way:
    kind: TaskKind
    worker: str


@dataclass(frozen=True)
class Sheet:
    ways: tuple[Way, ...]  # each kind of task once, in the order of the work
    tasks: tuple[ToWrite, ...]
    contact: str


def to_write(kind: TaskKind, tag: str, place: str, caution: str, out_of_service: bool) -> ToWrite:
    return ToWrite(
        kind, tag, place, caution, out_of_service, tuple(asking.asked(field) for field in kind.findings)
    )


def sheet_of(tasks: Iterable[ToWrite], place: Property) -> Sheet:
    rows = tuple(tasks)
    workers = selectors.workers_of([place.pk])
    kinds = {row.kind.code: row.kind for row in rows}
    ways = tuple(Way(kind, workers.of(place.pk, kind)) for kind in kinds.values())
    return Sheet(ways, rows, place.emergency_contact)


def of_heater(heater: Heater, tasks: Iterable[Task]) -> Sheet:
    """The sheet of some of a heater's tasks; what is closed, or was stopped as unsafe, is not to be done."""
    unsafe = bool(selectors.out_of_service([heater.pk]))
    rows = [
        to_write(row.task_kind, heater.tag, heater.position.label, row.caution, unsafe)
        for row in tasks
        if row.state == Task.State.OPEN and not row.stopped
    ]
    return sheet_of(rows, heater.position.building.property)
