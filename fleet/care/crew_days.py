"""Visits gathered by day and crew, in the order of the day, each task with why it stands where it stands."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date
from typing import NamedTuple

from fleet.care.kinds import TaskKind, task_kinds
from fleet.care.models import Task, Visit
from fleet.care.phone_day import in_order
from fleet.care.priority import Risk, order_of, priority
from fleet.care.risks import risks_of, standings
from fleet.care.selectors import out_of_service


@dataclass(frozen=True)
class Line:
    """A task that is spelled out."""

    pk: int
    kind: TaskKind
    tag: str
    place: str
    caution: str
    stopped: bool
    out_of_service: bool
    why: str


@dataclass
class Row:
    visit: Visit
    lines: list[Line]
    rest: int = 0
    minutes: int = 0


@dataclass
class CrewDay:
    day: date
    crew: str
    room: int = 0  # minutes of the crew's day; 0 where no crew is on record
    unheld: bool = False  # crews are on record, but none has the licence
    minutes: int = 0
    visits: list[Row] = field(default_factory=list)

    @property
    def over(self) -> bool:
        return bool(self.room) and self.minutes > self.room


class _Due(NamedTuple):
    """What of an open task its place in the day is told from: a day's visits hold thousands."""

    pk: int
    visit_id: int
    heater_id: int
    kind: str
    due_on: date
    window_days: int
    promised_by: date | None


def by_day(visits: Iterable[Visit], today: date, most: int | None = None) -> list[CrewDay]:
    """The visits with their open tasks, the most pressing first; of each at most so many are spelled out."""
    rows = list(visits)
    tasks, order, risks = _in_their_order(rows, today)
    lines = _lines((one for some in tasks.values() for one in some[:most]), risks, today)
    crews_known = any(row.team_id for row in rows)
    days: dict[tuple[date, str], CrewDay] = {}
    for row in in_order(rows, {number: order[some[0].pk] for number, some in tasks.items()}):
        day = days.setdefault((row.day, row.crew), CrewDay(row.day, row.crew))
        day.room = row.team.minutes_a_day if row.team else 0
        day.unheld = crews_known and row.team is None and not row.by_hand
        mine = tasks.get(row.pk, [])
        minutes = sum(task_kinds()[one.kind].minutes for one in mine)
        day.minutes += minutes
        shown = [lines[one.pk] for one in mine[:most]]
        day.visits.append(Row(row, shown, len(mine) - len(shown), minutes))
    return sorted(days.values(), key=lambda day: (day.day, day.crew))


def _in_their_order(
    visits: list[Visit], today: date
) -> tuple[dict[int, list[_Due]], dict[int, tuple[int, float]], dict[int, Risk]]:
    """The open tasks by visit, each with its order, and the risks of their heaters."""
    kinds = task_kinds()
    here = Task.objects.filter(visit__in=visits, state="open", kind__in=list(kinds))
    found = [_Due(*row) for row in here.order_by("heater_id", "due_on").values_list(*_Due._fields)]
    risks = risks_of(standings(one.heater_id for one in found), today)
    order = {
        one.pk: order_of(
            kinds[one.kind], one.due_on, one.window_days, one.promised_by, today, risks.get(one.heater_id)
        )
        for one in found
    }
    tasks: dict[int, list[_Due]] = defaultdict(list)
    for one in sorted(found, key=lambda one: order[one.pk]):
        tasks[one.visit_id].append(one)
    return tasks, order, risks


def _lines(dues: Iterator[_Due], risks: dict[int, Risk], today: date) -> dict[int, Line]:
    kinds, wanted = task_kinds(), {one.pk: one for one in dues}
    away = out_of_service(one.heater_id for one in wanted.values())
    names = ("pk", "heater__tag", "heater__position__label", "caution", "stopped")
    found: dict[int, Line] = {}
    for number, tag, place, caution, stopped in Task.objects.filter(pk__in=wanted).values_list(*names):
        one = wanted[number]
        told = priority(
            kinds[one.kind], one.due_on, one.window_days, one.promised_by, today, risks.get(one.heater_id)
        )
        out, kind = one.heater_id in away, kinds[one.kind]
        found[number] = Line(number, kind, tag, place, caution, stopped, out, told.short)
    return found
