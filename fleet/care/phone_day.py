"""The day as it goes onto a phone: everything that is needed where there is no signal, and nothing else."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from django.db.models import Q, QuerySet
from django.urls import reverse

from fleet.care.asking import asked
from fleet.care.kinds import TaskKind, task_kinds
from fleet.care.licences import Offers
from fleet.care.models import Finding, Label, Task, UnsafeFinding, Visit
from fleet.care.phone import record_value
from fleet.care.risks import priorities
from fleet.care.shut_off import shut_off_steps
from fleet.care.templatetags.care import finding_label, finding_value
from fleet.heaters.models import Attachment, Heater
from fleet.pages import reading

MOST_TASKS = 400  # more than any crew does in a day; keeps the page small
LAST_FINDINGS = 6
FINDINGS_BACK = timedelta(days=3 * 366)
BEGUN_BACK = timedelta(days=7)


def visits_of_day(today: date, crew_ids: Sequence[int] = ()) -> QuerySet[Visit]:
    """Today's visits of some crews (and those of no crew), and visits begun in the last days and not ended."""
    begun = Q(day__range=(today - BEGUN_BACK, today), started_at__isnull=False, ended_at=None)
    rows: QuerySet[Visit] = Visit.objects.filter(Q(day=today) | begun)
    if crew_ids:
        rows = rows.filter(Q(team_id__in=crew_ids) | Q(team=None))
    return rows.select_related("building__property").order_by("id")


def day_of(visits: Iterable[Visit], today: date) -> dict[str, Any]:
    """Visits with their heaters, tasks, cautions and finding fields, ready to be kept on a phone."""
    shown = list(visits)
    tasks = _tasks(shown)
    surroundings = _Surroundings(tasks, today)
    by_visit: dict[int | None, list[Task]] = defaultdict(list)
    for task in tasks:
        by_visit[task.visit_id].append(task)
    used = sorted({task.kind for task in tasks})
    order = {task.pk: surroundings.priorities[task.pk].order for task in tasks}
    shown = in_order(shown, {number: min(order[one.pk] for one in some) for number, some in by_visit.items()})
    rows = [_visit(visit, by_visit[visit.pk], surroundings, today) for visit in shown]
    return {
        "today": today.isoformat(),
        "cut_short": len(tasks) >= MOST_TASKS,
        "metric": reading.habit().metric,
        "kinds": {code: _kind(task_kinds()[code]) for code in used},
        "shut_offs": surroundings.shut_offs,
        "visits": rows,
    }


def in_order(visits: Iterable[Visit], best: Mapping[int | None, tuple[int, float]]) -> list[Visit]:
    """The order of the day's buildings: as set by hand, else the most pressing property first, its buildings together.

    `best` is the order of the most pressing task of each visit that has an open one.
    """
    rows = list(visits)
    last = (9, 0.0)
    by_property: dict[int, tuple[int, float]] = {}
    for row in rows:
        number = row.building.property_id
        by_property[number] = min(by_property.get(number, last), best.get(row.pk, last))
    return sorted(
        rows,
        key=lambda row: (
            row.day,
            row.place_in_day is None,
            row.place_in_day or 0,
            by_property[row.building.property_id],
            row.building.property.name,
            best.get(row.pk, last),
            row.building.name,
        ),
    )


def _tasks(visits: list[Visit]) -> list[Task]:
    rows = Task.objects.filter(visit__in=visits, state="open", kind__in=list(task_kinds()))
    rows = rows.select_related("heater__position__building__property", "visit", "heater__organisation")
    return list(rows.order_by("visit_id", "heater_id", "due_on", "id")[:MOST_TASKS])


class _Surroundings:
    """What belongs to the heaters of the day, read in a handful of queries."""

    def __init__(self, tasks: list[Task], today: date) -> None:
        heaters: Mapping[int, Heater] = {task.heater_id: task.heater for task in tasks}
        self.priorities = priorities(tasks, today)
        ids = list(heaters)
        self.codes = dict(Label.objects.filter(heater_id__in=ids).values_list("heater_id", "code"))
        self.unsafe: dict[int, list[str]] = defaultdict(list)
        for row in UnsafeFinding.objects.filter(heater_id__in=ids, closed_at=None).order_by("id"):
            self.unsafe[row.heater_id].append(row.what)
        self.pictures: dict[int, int] = {}
        pictures = Attachment.objects.filter(heater_id__in=ids, content_type="image/jpeg").order_by("id")
        for heater_id, number in pictures.values_list("heater_id", "id"):
            self.pictures[heater_id] = number
        self.shut_offs: list[dict[str, Any]] = []  # most heaters of a day are shut off alike: told once
        self.last = self._last_findings(ids, today)
        places = {row.position.building.property_id for row in heaters.values()}
        houses = {row.organisation_id for row in heaters.values()}
        self.offers = {number: Offers(number, places) for number in houses}

    def shut_off_of(self, heater: Heater) -> int:
        found = shut_off_steps(heater)
        words = {"dangers": found.dangers, "steps": found.steps, "call": found.contact}
        if words not in self.shut_offs:
            self.shut_offs.append(words)
        return self.shut_offs.index(words)

    @staticmethod
    def _last_findings(ids: list[int], today: date) -> dict[int, list[list[str]]]:
        rows = Finding.objects.filter(heater_id__in=ids, seen_at__date__gte=today - FINDINGS_BACK)
        rows = rows.select_related("task").order_by("-seen_at", "-id")
        found: dict[int, dict[str, list[str]]] = defaultdict(dict)
        for row in rows[:4000]:
            mine = found[row.heater_id]
            if len(mine) < LAST_FINDINGS and row.name not in mine:
                mine[row.name] = [finding_label(row), finding_value(row), row.seen_at.date().isoformat()]
        return {number: list(mine.values()) for number, mine in found.items()}


def _kind(kind: TaskKind) -> dict[str, Any]:
    names = (
        "name",
        "minutes",
        "stop_work",
        "hazards",
        "isolation",
        "protective_gear",
        "tools",
        "parts",
        "steps",
    )
    found: dict[str, Any] = {name: _read(getattr(kind, name)) for name in names}
    found["source"] = _read(kind.interval_source)
    found["fields"] = [_field(asked(field)) for field in kind.findings]
    return found


def _read(words: Any) -> Any:
    """Words, or lists of them, in the reader's units; numbers as they are."""
    if isinstance(words, str):
        return reading.in_my_units(words)
    return [_read(line) for line in words] if isinstance(words, list | tuple) else words


def _field(field: Any) -> dict[str, Any]:
    names = (
        "name", "label", "type", "unit", "low", "high", "usual_low", "usual_high", "choices", "unsafe",
        "unsafe_above", "unsafe_below",
    )  # fmt: skip
    found = {name: getattr(field, name) for name in names}
    plain = {name: value for name, value in found.items() if value not in (None, "", ())}
    return plain | ({} if field.required else {"may_stay_empty": True})


def _visit(visit: Visit, tasks: list[Task], around: _Surroundings, today: date) -> dict[str, Any]:
    by_heater: dict[int, list[Task]] = defaultdict(list)
    for task in sorted(tasks, key=lambda row: around.priorities[row.pk].order):
        by_heater[task.heater_id].append(task)
    place = visit.building.property
    return {
        "id": visit.pk,
        "day": visit.day.isoformat(),
        "building": visit.building.name,
        "property": place.name,
        "address": place.address,
        "crew": visit.crew,
        "note": visit.note,
        "begun": visit.started_at is not None,
        "ended": visit.ended_at is not None,
        "minutes": sum(task.task_kind.minutes for task in tasks),
        "heaters": [_heater(rows, around, today) for rows in by_heater.values()],
    }


def _heater(tasks: list[Task], around: _Surroundings, today: date) -> dict[str, Any]:
    heater = tasks[0].heater
    place = heater.position
    picture = around.pictures.get(heater.pk)
    where = [place.label, place.room, f"floor {place.floor}" if place.floor else ""]
    return {
        "id": heater.pk,
        "tag": heater.tag,
        "kind": heater.get_kind_display(),
        "where": ", ".join(part for part in where if part),
        "code": around.codes.get(heater.pk, ""),
        "picture": reverse("care:small_picture", args=[picture]) if picture else "",
        "shut_off": around.shut_off_of(heater),
        "unsafe": _read(around.unsafe.get(heater.pk, [])),
        "last": around.last.get(heater.pk, []),
        "tasks": [_task(task, around, today) for task in tasks],
    }


def _task(task: Task, around: _Surroundings, today: date) -> dict[str, Any]:
    values = {field.name: record_value(task, field.keeps) for field in task.task_kind.findings if field.keeps}
    place = task.heater.position.building
    found: dict[str, Any] = {
        "id": task.pk,
        "kind": task.kind,
        "due_on": task.due_on.isoformat(),
        "late": task.due_on < today,
        "why": _read(task.reason),
        "caution": _read(task.caution),
        "worker": around.offers[task.organisation_id].workers.of(place.property_id, task.task_kind),
        "stopped": task.stopped,
        "offered": not around.offers[task.organisation_id].refusal(task, place.property_id),
        "first": around.priorities[task.pk].short,
    }
    if task.promised_by:
        found["promised_by"] = task.promised_by.isoformat()
    if values:
        found["values"] = values
    return found
