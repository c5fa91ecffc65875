"""Roll-forward: brings every heater's open tasks into line with the rules. Running it again changes nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Any

from django.db import connection, transaction
from django.db.models import Max

from fleet.care.bulk import NewTask, do_not_wait_for_the_disk, insert_tasks, refresh_statistics
from fleet.care.facts import HEATER_FIELDS, Surroundings, first_days, gather
from fleet.care.kinds import TaskKind, task_kinds
from fleet.care.models import CareStart, Task
from fleet.care.rules import Decision, Withheld, decide, say
from fleet.estate.bulk_rows import in_parts
from fleet.estate.calendar import today_of
from fleet.estate.models import Organisation, Property
from fleet.heaters.models import Heater

AHEAD_DAYS = 400  # a task is written once its day comes within this reach
SLICE = 4000
LOCKED_AT_ONCE = 5000
CHANGED_AT_ONCE = 500
MANY_TASKS = 10_000
CHANGING = ("due_on", "rule", "reason", "caution", "window_days")
OPEN_FIELDS = (
    "pk", "heater_id", "kind", "due_on", "rule", "reason", "caution", "window_days", "overridden", "promised_by",
    "promised_words",
)  # fmt: skip


@dataclass
class RollResult:
    heaters: int = 0
    created: int = 0
    changed: int = 0
    dropped: int = 0


@dataclass
class _Plan:
    create: list[NewTask] = field(default_factory=list)
    change: list[Task] = field(default_factory=list)
    drop: dict[str, list[int]] = field(default_factory=dict)  # reason -> task ids


def local_today(property_: Property) -> date:
    """Days are days in the property's time zone (or the day where an invented record stands still)."""
    return today_of(property_.organisation, property_)


def roll_forward(
    organisation: Organisation,
    today: date | None = None,
    progress: Callable[[float, str], None] | None = None,
    heater_ids: Sequence[int] | None = None,
    places: list[Property] | None = None,
) -> RollResult:
    """Open, move and drop tasks as of a day (default: today where each property stands). Idempotent.

    `places`: where the chosen heaters stand, from whoever has them at hand.
    """
    kinds = task_kinds()
    result, counted = RollResult(), 0
    properties = _properties(organisation, heater_ids) if places is None else places
    zones: dict[date, list[int]] = {}
    for row in properties:
        zones.setdefault(today or today_of(organisation, row), []).append(row.pk)
    # Never inside somebody's own transaction: what she entered must be on disk before she is told so.
    again_if_lost = heater_ids is None and not connection.in_atomic_block
    live = Heater.objects.filter(organisation=organisation, ending="")
    if heater_ids is not None:
        live = live.filter(pk__in=heater_ids)
    total = live.count() if progress else 0
    for day, property_ids in zones.items():
        surroundings = Surroundings(organisation.pk, day, None if heater_ids is None else property_ids)
        # Where all stand in one zone, nothing is gained by naming twenty thousand properties in each query.
        here = live if len(zones) == 1 else live.filter(position__building__property_id__in=property_ids)
        for rows in _slices(here):
            with transaction.atomic():
                if again_if_lost:
                    do_not_wait_for_the_disk()
                _roll_slice(organisation.pk, rows, surroundings, day, kinds, result)
            if result.created > max(MANY_TASKS, 2 * counted):
                refresh_statistics()
                counted = result.created
            if progress:
                progress(min(result.heaters / max(total, 1), 1.0), f"{result.heaters} of {total} heaters")
    if heater_ids is None or result.heaters < len(set(heater_ids)):
        result.dropped += _drop_ended(organisation, properties, today, heater_ids)
    return result


def _properties(organisation: Organisation, heater_ids: Sequence[int] | None) -> list[Property]:
    """The organisation's properties; for chosen heaters only those where they stand: a finding at one heater must not
    read a portfolio."""
    rows = Property.objects.filter(organisation=organisation)
    if heater_ids is not None:
        standing = Heater.objects.filter(pk__in=heater_ids).values("position__building__property_id")
        rows = rows.filter(pk__in=standing)
    return list(rows.order_by("id"))


def keep_promise(decision: Decision, promised_by: date | None, words: str) -> Decision:
    """A promise pulls a task forward, never back."""
    if promised_by is None or decision.due_on <= promised_by:
        return decision
    return replace(decision, due_on=promised_by, rule="promised", why=promise_sentence(promised_by, words))


def promise_sentence(by: date, words: str) -> str:
    return f"Promised by {say(by)}: {words}"[:400]


def _slices(heaters: Any) -> Iterable[list[tuple[Any, ...]]]:
    last = 0
    while rows := list(heaters.filter(pk__gt=last).order_by("pk").values_list(*HEATER_FIELDS)[:SLICE]):
        last = rows[-1][0]
        yield rows
        if len(rows) < SLICE:
            return


def _roll_slice(
    organisation_id: int,
    rows: list[tuple[Any, ...]],
    surroundings: Surroundings,
    day: date,
    kinds: Any,
    result: RollResult,
) -> None:
    first, last = rows[0][0], rows[-1][0]
    began = _keep_first_day(organisation_id, rows, day)
    facts = gather(rows, surroundings, day, began)
    here = Task.objects.filter(heater_id__gte=first, heater_id__lte=last).order_by()
    standing: dict[int, dict[str, tuple[Any, ...]]] = {}
    for row in here.filter(state="open").values_list(*OPEN_FIELDS):
        standing.setdefault(row[1], {})[row[2]] = row
    closed = here.exclude(state="open").values_list("heater_id", "kind").annotate(last=Max("cycle"))
    cycles = {(heater_id, kind): cycle for heater_id, kind, cycle in closed}
    plan = _Plan()
    for heater_id, one in facts.items():
        due, held = decide(one, kinds, day)
        here_ids = (organisation_id, heater_id, one.building_id)
        _compare(here_ids, due, held, standing.get(heater_id, {}), cycles, kinds, day, plan)
    result.heaters += len(rows)
    result.created += len(plan.create)
    _keep_to_what_stands(plan, standing)
    result.changed += len(plan.change)
    result.dropped += sum(len(ids) for ids in plan.drop.values())
    _write(plan, day)


def _keep_first_day(organisation_id: int, rows: list[tuple[Any, ...]], day: date) -> dict[int, date]:
    """From when on each heater's care is kept here: work that no record speaks of is laid out from that day."""
    known = first_days(rows[0][0], rows[-1][0])
    new = [row[0] for row in rows if row[0] not in known]
    if not new:
        return known
    starts = (CareStart(organisation_id=organisation_id, heater_id=number, began_on=day) for number in new)
    CareStart.objects.bulk_create(starts, ignore_conflicts=True, batch_size=2000)
    return first_days(rows[0][0], rows[-1][0])  # another may have been there first


def _compare(
    here_ids: tuple[int, int, int],
    due: dict[str, Decision],
    held: dict[str, Withheld],
    standing: dict[str, tuple[Any, ...]],
    cycles: dict[tuple[int, str], int],
    kinds: dict[str, TaskKind],
    day: date,
    plan: _Plan,
) -> None:
    reach = day + timedelta(days=AHEAD_DAYS)
    for code, decision in due.items():
        window = kinds[code].window_days
        row = standing.get(code)
        if row is None:
            if decision.due_on <= reach:
                cycle = cycles.get((here_ids[1], code), 0) + 1
                day_text = decision.due_on.isoformat()
                words = (decision.rule, decision.why, decision.caution)
                plan.create.append((*here_ids, code, cycle, day_text, window, *words))
            continue
        number, _, _, due_on, rule, reason, caution, old_window, overridden, promised_by, promised_words = row
        if overridden:
            continue
        decision = keep_promise(decision, promised_by, promised_words)
        wanted = (decision.due_on, decision.rule, decision.why, decision.caution, window)
        if wanted != (due_on, rule, reason, caution, old_window):
            plan.change.append(
                Task(
                    pk=number,
                    due_on=decision.due_on,
                    rule=decision.rule,
                    reason=decision.why,
                    caution=decision.caution,
                    window_days=window,
                )
            )
    for code, row in standing.items():
        overridden, promised_by = row[-3], row[-2]
        if code not in due and not overridden and (promised_by is None or code in held):
            why = held[code].why if code in held else "The rules no longer ask for it."
            if promised_by is not None:
                why = f"It was promised by {say(promised_by)} ({row[-1][:60]}). {why}"
            plan.drop.setdefault(why[:300], []).append(row[0])


def _keep_to_what_stands(plan: _Plan, standing: dict[int, dict[str, tuple[Any, ...]]]) -> None:
    """Lock the tasks that move or go, few of very many, and leave out those that somebody has touched since they were
    read: the next roll looks at them again."""
    wanted = [task.pk for task in plan.change] + [pk for ids in plan.drop.values() for pk in ids]
    if not wanted:
        return
    read = {row[0]: row for rows in standing.values() for row in rows.values()}
    same: set[int] = set()
    for some in in_parts(wanted, LOCKED_AT_ONCE):
        part = Task.objects.filter(pk__in=some, state="open").order_by("pk")
        rows = part.select_for_update(of=("self",)).values_list(*OPEN_FIELDS)
        same.update(row[0] for row in rows if row == read[row[0]])
    plan.change = [task for task in plan.change if task.pk in same]
    plan.drop = {why: kept for why, ids in plan.drop.items() if (kept := [pk for pk in ids if pk in same])}


def _write(plan: _Plan, day: date) -> None:
    insert_tasks(plan.create)
    if plan.change:
        Task.objects.bulk_update(plan.change, CHANGING, batch_size=CHANGED_AT_ONCE)
    for why, ids in plan.drop.items():
        for some in in_parts(ids, CHANGED_AT_ONCE):
            Task.objects.filter(pk__in=some, state="open").update(
                state=Task.State.DROPPED, closed_on=day, closed_because=why, stopped=False
            )


def _drop_ended(
    organisation: Organisation,
    properties: list[Property],
    today: date | None,
    heater_ids: Sequence[int] | None,
) -> int:
    """A heater that left service needs no care: its open tasks end with it."""
    gone = Task.objects.filter(organisation=organisation, state="open").exclude(heater__ending="")
    if heater_ids is not None:
        gone = gone.filter(heater_id__in=heater_ids)
    day = today or (today_of(organisation, properties[0]) if properties else None)
    if day is None:
        return 0
    with transaction.atomic():
        ids = list(gone.values_list("pk", flat=True))
        for some in in_parts(ids, CHANGED_AT_ONCE):
            Task.objects.filter(pk__in=some).update(
                state=Task.State.DROPPED, closed_on=day, closed_because="The heater left service."
            )
    return len(ids)
