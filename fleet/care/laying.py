"""Laying out the queue as visits of crews: within the tasks' windows, the crews' hours and licences, each task once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from django.db import transaction
from django.db.models import Q

from fleet.care.grouping import CREW_MINUTES, Due, Trip, trips, working_day
from fleet.care.licences import EVERYBODY
from fleet.care.models import Crew, Task, Visit
from fleet.care.selectors import due_counts, due_tasks, workers_of
from fleet.estate.models import Building, Membership

LOOK_LATER_DAYS = 120


@dataclass(frozen=True)
class Team:
    """A crew as the layout sees it. `number` None: no crew is on record, or none holds the licence.

    `minutes` is one visit's longest, `room` what all its people can do in a day; None where nobody's day is known.
    """

    number: int | None = None
    name: str = ""
    minutes: int = CREW_MINUTES
    licences: frozenset[str] = frozenset()
    room: int | None = None

    def may(self, worker: str) -> bool:
        return worker == EVERYBODY or worker in self.licences


@dataclass
class Ledger:
    """The minutes of each crew's days that are spoken for. `nobody` does what there is no crew for."""

    teams: Sequence[Team]
    nobody: Team = Team()
    used: dict[tuple[int | None, date], int] = field(default_factory=lambda: defaultdict(int))

    def fits(self, team: Team, day: date, minutes: int) -> bool:
        """Whether there is room; a piece of work longer than any day gets a day of its own."""
        if team.room is None:
            return True
        used = self.used[team.number, day]
        return used + minutes <= team.room or used == 0

    def take(self, team: Team, day: date, minutes: int) -> None:
        self.used[team.number, day] += minutes


@dataclass(frozen=True)
class Laid:
    visits: int
    tasks: int


def teams_of(organisation_id: int) -> list[Team]:
    rows = Crew.objects.filter(organisation_id=organisation_id).order_by("name")
    return [
        Team(row.pk, row.name, row.minutes_a_day, frozenset(row.licences), row.minutes_a_day) for row in rows
    ]


def people_of_no_crew(organisation_id: int) -> Team:
    """Where no crew is put down, each technician counts as one; a year's work is not laid out for one day."""
    technicians = Membership.objects.filter(
        organisation_id=organisation_id, role=Membership.Role.TECHNICIAN, person__is_active=True
    ).count()
    return Team(room=CREW_MINUTES * max(1, technicians))


def ledger_of(organisation_id: int, today: date, building: Building | None = None) -> Ledger:
    """What is spoken for already: visits begun or set by hand, and when one building is laid out all others'."""
    teams = teams_of(organisation_id)
    ledger = Ledger(teams) if teams else Ledger(teams, people_of_no_crew(organisation_id))
    rows = Task.objects.filter(state="open", visit__day__gte=today, visit__organisation_id=organisation_id)
    changing = Q(visit__started_at=None, visit__by_hand=False)
    if building is not None:
        changing &= Q(visit__building=building)
    for task in rows.exclude(changing).select_related("visit"):
        ledger.used[task.visit.team_id, task.visit.day] += task.task_kind.minutes
    return ledger


@transaction.atomic
def lay_out_building(building: Building, today: date, ledger: Ledger, horizon_days: int = 60) -> Laid:
    """Lay one building's due tasks out as visits; again gives the same. Visits begun or set by hand stay."""
    Building.objects.select_for_update(of=("self",)).get(pk=building.pk)
    due = due_tasks(today, horizon_days).filter(building=building, stopped=False)
    kept = Visit.objects.filter(building=building).exclude(started_at=None, by_hand=False)
    tasks = list(due.exclude(visit__in=kept))
    home: dict[int, list[int]] = defaultdict(list)
    for team, rows in _by_team(tasks, building.property_id, ledger):
        dues = {row.pk: _due(row) for row in rows}
        for trip in trips(dues.values(), today, team.minutes):
            day = _day_with_room(trip, dues, team, today, ledger)
            ledger.take(team, day, trip.minutes)
            visit = _visit(building, day, team, trip.part)
            home[visit.pk].extend(trip.task_ids)
    Task.objects.filter(visit__building=building, state="open").exclude(visit__in=kept).update(visit=None)
    for number, ids in home.items():
        Task.objects.filter(pk__in=ids).update(visit_id=number)
    Visit.objects.filter(building=building, started_at=None, by_hand=False, tasks=None).delete()
    return Laid(len(home), len(tasks))


def _due(task: Task) -> Due:
    kind = task.task_kind
    last = min(task.closes_on, task.promised_by) if task.promised_by else task.closes_on
    opens = min(task.opens_on, last)
    return Due(task.pk, task.heater_id, opens, last, kind.minutes, task.kind, kind.together)


def _by_team(tasks: Iterable[Task], property_id: int, ledger: Ledger) -> list[tuple[Team, list[Task]]]:
    """One crew for all that it may do, the crew that may do most first; what no crew may do stands by itself."""
    rest = list(tasks)
    workers = workers_of([property_id] if ledger.teams else [])
    found: list[tuple[Team, list[Task]]] = []
    free = list(ledger.teams)
    while rest and free:
        able = {
            team: [row for row in rest if team.may(workers.code_of(property_id, row.task_kind))]
            for team in free
        }
        best = max(free, key=lambda team: len(able[team]))
        if not able[best]:
            break
        found.append((best, able[best]))
        taken = {row.pk for row in able[best]}
        rest = [row for row in rest if row.pk not in taken]
        free.remove(best)
    if rest:
        found.append((ledger.nobody, rest))
    return found


def _day_with_room(trip: Trip, dues: dict[int, Due], team: Team, today: date, ledger: Ledger) -> date:
    """The trip's own day, else an earlier one within all windows, else the next one with room."""
    if ledger.fits(team, trip.day, trip.minutes):
        return trip.day
    opens = max([today, *(dues[number].opens_on for number in trip.task_ids)])
    day = trip.day - timedelta(days=1)
    while day >= opens:
        if day.weekday() < 5 and ledger.fits(team, day, trip.minutes):
            return day
        day -= timedelta(days=1)
    day = trip.day
    for _ in range(LOOK_LATER_DAYS):
        day = working_day(day + timedelta(days=3 if day.weekday() == 4 else 1), day + timedelta(days=1))
        if ledger.fits(team, day, trip.minutes):
            return day
    return day


def _visit(building: Building, day: date, team: Team, part: int) -> Visit:
    crew = team.name or ("" if part == 1 else str(part))
    visit: Visit
    visit, _ = Visit.objects.get_or_create(
        organisation_id=building.organisation_id,
        building=building,
        day=day,
        crew=crew,
        defaults={"team_id": team.number},
    )
    return visit


def lay_out_all(
    organisation_id: int, today: date, progress: Callable[[float, str], None] | None = None
) -> Laid:
    """Every building of an organisation, those with late safety work first, into the same crews' days."""
    ledger = ledger_of(organisation_id, today)
    rows = Building.objects.filter(organisation_id=organisation_id).select_related("property__organisation")
    buildings = {row.pk: row for row in rows}
    visits = tasks = 0
    counts = due_counts(today, 60)
    for done, row in enumerate(counts, start=1):
        if row.building_id not in buildings:
            continue
        laid = lay_out_building(buildings[row.building_id], today, ledger)
        visits, tasks = visits + laid.visits, tasks + laid.tasks
        if progress and done % 20 == 0:
            progress(done / len(counts), f"{done} of {len(counts)} buildings")
    return Laid(visits, tasks)
