"""Visits gathered by day and crew, in the order of the day, each task with why it stands where it stands."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date

from fleet.care.models import Task, Visit
from fleet.care.phone_day import in_order
from fleet.care.risks import priorities


@dataclass
class Row:
    visit: Visit
    tasks: list[tuple[Task, str]]  # those that are spelled out, with why each stands where it stands
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


def by_day(visits: Iterable[Visit], today: date, most: int | None = None) -> list[CrewDay]:
    """`visits` come with their open tasks, as `selectors.with_open_tasks` reads them; at most so many are spelled out."""
    rows = list(visits)
    tasks: dict[int | None, list[Task]] = {row.pk: row.open_tasks for row in rows}  # type: ignore[attr-defined]
    found = priorities((task for several in tasks.values() for task in several), today)
    crews_known = any(row.team_id for row in rows)
    days: dict[tuple[date, str], CrewDay] = {}
    for row in in_order(rows, tasks, found):
        day = days.setdefault((row.day, row.crew), CrewDay(row.day, row.crew))
        day.room = row.team.minutes_a_day if row.team else 0
        day.unheld = crews_known and row.team is None and not row.by_hand
        mine = sorted(tasks[row.pk], key=lambda task: found[task.pk].order)
        shown = mine[:most]
        minutes = sum(task.task_kind.minutes for task in mine)
        day.minutes += minutes
        told = [(task, found[task.pk].short) for task in shown]
        day.visits.append(Row(row, told, len(mine) - len(shown), minutes))
    return sorted(days.values(), key=lambda day: (day.day, day.crew))
