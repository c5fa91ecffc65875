"""Questions asked of the tasks: what is due where, what stands at one heater, what is unsafe."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from django.db.models import Exists, OuterRef, QuerySet, Window
from django.db.models.functions import RowNumber

from fleet.care import due_sums
from fleet.care.kinds import WORKERS, TaskKind
from fleet.care.models import CareSetting, SentEntry, Task, UnsafeFinding, Visit
from fleet.estate.models import Building


@dataclass
class BuildingQueue:
    """The open tasks of one building within the horizon, most pressing first."""

    building: Building
    tasks: list[Task] = field(default_factory=list)
    late: int = 0

    @property
    def minutes(self) -> int:
        return sum(task.task_kind.minutes for task in self.tasks)

    @property
    def cautions(self) -> int:
        return sum(1 for task in self.tasks if task.caution)


@dataclass(frozen=True)
class BuildingCount:
    building_id: int
    building: str
    property_id: int
    property: str
    tasks: int
    late: int
    minutes: int
    earliest: date
    late_safety: int

    def pressing(self) -> tuple[Any, ...]:
        return (-self.late_safety, self.earliest, self.building_id)

    def overdue(self) -> tuple[Any, ...]:
        return (-self.late, -self.tasks, self.building_id)


def due_tasks(
    today: date, horizon_days: int = 60, property_ids: Sequence[int] | None = None
) -> QuerySet[Task]:
    """Open tasks due by the end of the horizon, late ones included."""
    due: QuerySet[Task] = Task.objects.filter(state="open", due_on__lte=today + timedelta(days=horizon_days))
    if property_ids is not None:
        due = due.filter(building__property_id__in=property_ids)
    return due


def due_by_building(
    today: date,
    horizon_days: int = 60,
    property_ids: Sequence[int] | None = None,
    building_ids: list[int] | None = None,
) -> list[BuildingQueue]:
    """The queue: buildings with due tasks, the longest late building first, each with its tasks by heater."""
    due = due_tasks(today, horizon_days, property_ids)
    if building_ids is not None:
        due = due.filter(building_id__in=building_ids)
    due = due.select_related("heater__position__building__property__organisation").order_by(
        "due_on", "heater_id", "kind"
    )
    queues: dict[int, BuildingQueue] = {}
    for task in due:
        building = task.heater.position.building
        queue = queues.setdefault(building.pk, BuildingQueue(building))
        queue.tasks.append(task)
        queue.late += task.due_on < today
    return list(queues.values())


def first_due(today: date, horizon_days: int, building_ids: list[int], limit: int) -> dict[int, list[Task]]:
    """The first few due tasks of each of some buildings: what a page shows of a queue that may hold thousands.

    All buildings are asked at once for the numbers of their first tasks, and only these tasks are read.
    """
    order = ("due_on", "heater_id", "kind")
    placed = Window(RowNumber(), partition_by=["building_id"], order_by=list(order))
    due = due_tasks(today, horizon_days).filter(building_id__in=building_ids).order_by()
    first = due.annotate(place=placed).filter(place__lte=limit).values_list("pk", flat=True)
    rows = Task.objects.filter(pk__in=list(first))
    rows = rows.select_related("heater__position__building__property__organisation").order_by(*order)
    found: dict[int, list[Task]] = {number: [] for number in building_ids}
    for task in rows:
        found[task.building_id].append(task)
    return found


def due_counts(
    today: date,
    horizon_days: int = 60,
    property_ids: Sequence[int] | None = None,
    building: Building | None = None,
) -> list[BuildingCount]:
    """Buildings with due tasks and their sums, all counted now, the most pressing first. Pages take `due_list`."""
    due, places = due_tasks(today, horizon_days, property_ids), Building.objects.all()
    if property_ids is not None:
        places = places.filter(property_id__in=property_ids)
    if building is not None:
        due, places = due.filter(building=building), places.filter(pk=building.pk)
    found = counted(due, places, today, horizon_days)
    return sorted(found, key=BuildingCount.pressing)


def counted(due: QuerySet[Task], places: Any, today: date, horizon_days: int) -> list[BuildingCount]:
    sums = due_sums.count(due, today, (horizon_days,))
    rows = places.order_by().values_list("id", "name", "property_id", "property__name")
    return [
        BuildingCount(
            number, name, property_id, property_,
            one.tasks[0], one.late, one.minutes[0], one.earliest, one.late_safety,
        )
        for number, name, property_id, property_ in rows
        if (one := sums.get(number)) is not None
    ]  # fmt: skip


def tasks_of(heater_id: int) -> QuerySet[Task]:
    found: QuerySet[Task] = Task.objects.filter(heater_id=heater_id).select_related("heater")
    return found


def open_unsafe(heater_id: int | None = None) -> QuerySet[UnsafeFinding]:
    """Alerts not yet closed: while one stands its heater is out of service."""
    rows: QuerySet[UnsafeFinding] = UnsafeFinding.objects.filter(closed_at=None)
    rows = rows.select_related("heater__position__building__property", "task")
    return rows if heater_id is None else rows.filter(heater_id=heater_id)


def out_of_service(heater_ids: Iterable[int]) -> set[int]:
    """Those of some heaters that an open unsafe finding keeps out of service."""
    rows = UnsafeFinding.objects.filter(closed_at=None, heater_id__in=set(heater_ids)).order_by()
    return set(rows.values_list("heater_id", flat=True))


def waiting_entries() -> QuerySet[SentEntry]:
    """What phones sent and a person has to decide."""
    rows: QuerySet[SentEntry] = SentEntry.objects.filter(result__in=["decide", "noted"], settled_at=None)
    return rows


@dataclass(frozen=True)
class Workers:
    """Who may do what at which property: the site's own setting, else the task kind's."""

    own: dict[tuple[int, str], str]

    def code_of(self, property_id: int, kind: TaskKind) -> str:
        return self.own.get((property_id, kind.code)) or kind.done_by

    def of(self, property_id: int, kind: TaskKind) -> str:
        return WORKERS[self.code_of(property_id, kind)]


def workers_of(property_ids: Iterable[int]) -> Workers:
    rows = CareSetting.objects.filter(property_id__in=list(property_ids)).exclude(done_by="")
    return Workers({(row.property_id, row.kind): row.done_by for row in rows})


def worker_of(task: Task) -> str:
    number = task.heater.position.building.property_id
    return workers_of([number]).of(number, task.task_kind)


def visits_between(first: date, last: date, building_id: int | None = None) -> QuerySet[Visit]:
    """Visits with open tasks of a span of days, in the order of the day."""
    open_tasks = Task.objects.filter(visit=OuterRef("pk"), state="open")
    rows: QuerySet[Visit] = Visit.objects.filter(Exists(open_tasks), day__range=(first, last))
    if building_id is not None:
        rows = rows.filter(building_id=building_id)
    rows = rows.select_related("building__property", "team")
    return rows.order_by("day", "building__property__name", "building__name", "crew")


def minutes_without_hot_water(visit: Visit) -> int:
    """The longest that one heater's open tasks of a visit leave its people without hot water; 0 if none does."""
    by_heater: dict[int, int] = {}
    for task in visit.tasks.filter(state="open"):
        if task.task_kind.hot_water_off:
            by_heater[task.heater_id] = by_heater.get(task.heater_id, 0) + task.task_kind.minutes
    return max(by_heater.values(), default=0)
