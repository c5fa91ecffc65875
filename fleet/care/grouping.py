"""Which tasks of one building go together on which day: as few trips as their windows and the crew's hours allow."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

EARLIER_TOGETHER_DAYS = 60  # work that belongs together is taken along this long before its window: judgement
CREW_MINUTES = 420  # a working day less the way there: judgement, no source


@dataclass(frozen=True, slots=True)
class Due:
    """One open task: it can be done from `opens_on`, should be done by `closes_on`."""

    task_id: int
    heater_id: int
    opens_on: date
    closes_on: date
    minutes: int
    kind: str = ""
    together: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Trip:
    day: date
    part: int  # a second crew or a longer stay on the same day
    task_ids: tuple[int, ...]
    minutes: int


def working_day(day: date, not_before: date) -> date:
    """The last working day up to `day`, but not before `not_before`; then the first one after that."""
    weekday = day.weekday()
    earlier = day - timedelta(days=max(weekday - 4, 0))
    if earlier >= not_before:
        return earlier
    later = not_before
    while later.weekday() > 4:
        later += timedelta(days=1)
    return later


def trips(tasks: Iterable[Due], today: date, crew_minutes: int = CREW_MINUTES) -> list[Trip]:
    """Every task on exactly one trip: late ones first of all, the others with the trip their window meets.

    Going out on the day the most pressing window closes, and taking along all that is open by then, gives the
    fewest days (stabbing of intervals by their right ends). One heater's tasks stay together within a part.
    """
    rest = sorted(tasks, key=lambda task: (task.closes_on, task.heater_id, task.task_id))
    planned: list[Trip] = []
    while rest:
        day = working_day(max(rest[0].closes_on, today), today)
        taken = [task for task in rest if task.opens_on <= day]
        if not taken:  # the window opens on a weekend: go after it
            day = working_day(rest[0].closes_on + timedelta(days=7), rest[0].opens_on)
            taken = [task for task in rest if task.opens_on <= day]
        taken += _belonging(taken, rest, day)
        chosen = {task.task_id for task in taken}
        rest = [task for task in rest if task.task_id not in chosen]
        planned.extend(_parts(day, taken, crew_minutes))
    return planned


def _belonging(taken: Sequence[Due], rest: Sequence[Due], day: date) -> list[Due]:
    """Work at the same heater that goes with work of this trip, such as the anode with the flush: one shut-down."""
    chosen = {task.task_id for task in taken}
    wanted = {(task.heater_id, code) for task in taken for code in task.together}
    reach = day + timedelta(days=EARLIER_TOGETHER_DAYS)
    return [
        task
        for task in rest
        if task.task_id not in chosen and (task.heater_id, task.kind) in wanted and task.opens_on <= reach
    ]


def _parts(day: date, tasks: Sequence[Due], crew_minutes: int) -> list[Trip]:
    by_heater: dict[int, list[Due]] = {}
    for task in tasks:
        by_heater.setdefault(task.heater_id, []).append(task)
    parts: list[list[Due]] = [[]]
    used = 0
    for group in by_heater.values():
        minutes = sum(task.minutes for task in group)
        if parts[-1] and used + minutes > crew_minutes:
            parts.append([])
            used = 0
        parts[-1].extend(group)
        used += minutes
    return [
        Trip(day, number, tuple(task.task_id for task in part), sum(task.minutes for task in part))
        for number, part in enumerate(parts, start=1)
        if part
    ]
