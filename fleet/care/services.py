"""The verbs of care: each one transaction, the only code that changes tasks, visits and findings."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from fleet.care.kinds import WORKERS, task_kinds
from fleet.care.licences import refusal_for
from fleet.care.models import CareSetting, Finding, Task, UnsafeFinding
from fleet.care.reading import CareRefused, Seen, read_findings
from fleet.care.roll import RollResult, local_today, roll_forward
from fleet.care.rules import say
from fleet.estate.happenings import announce, settle
from fleet.estate.history import record_change
from fleet.estate.models import Property
from fleet.estate.scope import current_scope
from fleet.heaters.models import AnodeKind, Heater, ServiceRecord

__all__ = [
    "CareRefused",
    "Outcome",
    "RollResult",
    "Seen",
    "close_unsafe",
    "complete_task",
    "local_today",
    "override_due",
    "read_findings",
    "report_unsafe",
    "roll_forward",
    "set_care",
    "skip_task",
]


ANODE_KINDS: Mapping[object, str] = {str(label): value for value, label in AnodeKind.choices}


@dataclass(frozen=True)
class Outcome:
    task: Task
    stopped: bool
    unsafe: tuple[UnsafeFinding, ...] = ()


def _open(task: Task) -> Task:
    """The task under lock, still open; else told plainly. It comes with its place, which every verb asks for."""
    rows = Task.objects.select_for_update(of=("self",)).select_related(
        "organisation", "heater__organisation", "heater__position__building__property__organisation"
    )
    locked: Task | None = rows.filter(pk=task.pk).first()
    if locked is None:
        raise CareRefused("This task is no longer there.")
    locked.building = locked.heater.position.building
    if locked.state != Task.State.OPEN:
        when = f" on {say(locked.closed_on)}" if locked.closed_on else ""
        raise CareRefused(f"This task was already closed{when}: {locked.get_state_display()}.")
    if not locked.heater.in_service:
        raise CareRefused("This heater left service since; its tasks ended with it.")
    return locked


def _property_of(heater: Heater) -> Property:
    found: Property = heater.position.building.property
    return found


def local_day(heater: Heater, at: datetime) -> date:
    standing: date | None = heater.organisation.calendar_stands_at
    return standing or at.astimezone(ZoneInfo(_property_of(heater).time_zone)).date()


@transaction.atomic
def complete_task(
    task: Task,
    findings: Mapping[str, str | float],
    at: datetime,
    sure: bool = False,
    note: str = "",
    leave: Collection[str] = (),
) -> Outcome:
    """Close a task with its findings, write the service record, set the next due day.

    A value beyond the usual range is refused once and accepted with `sure`. An unsafe finding is stored, stops
    the task and raises an alert instead of closing it. Findings named in `leave` do not change the record's own
    fields: somebody changed those meanwhile and a person decides.
    """
    if timezone.is_naive(at) or at > timezone.now() + timedelta(minutes=10):
        raise CareRefused("The time of the work must be a moment that has passed, with its time zone.")
    task = _open(task)
    if task.stopped:
        raise CareRefused("This task was stopped by an unsafe finding; close that first, with its follow-up.")
    seen, problems = read_findings(task, findings)
    if not sure:
        for name, one in seen.items():
            if one.unusual and not one.unsafe:
                problems[name] = f"{one.said}? Usual is {one.field.usual_range()}."
    dangers = [one for one in seen.values() if one.unsafe]
    if not dangers and (refusal := refusal_for(task)):
        raise CareRefused(refusal)
    if problems and not dangers:
        raise CareRefused("Some findings need another look.", problems)
    keep_findings(task, seen, at)
    if dangers:
        alerts = tuple(raise_alert(task, one.said, at) for one in dangers)
        return Outcome(task, stopped=True, unsafe=alerts)
    day = local_day(task.heater, at)
    write_service(task, seen, day, note)
    bring_record_up_to_date(task, [one for name, one in seen.items() if name not in leave], day)
    _close(task, Task.State.DONE, day, note or "Done.")
    place = _property_of(task.heater)
    roll_forward(task.organisation, local_today(place), heater_ids=[task.heater_id], places=[place])
    return Outcome(task, stopped=False)


def keep_findings(task: Task, seen: Mapping[str, Seen], at: datetime) -> None:
    rows = [
        Finding(
            organisation_id=task.organisation_id,
            task=task,
            heater_id=task.heater_id,
            name=name,
            number=one.value if isinstance(one.value, float) else None,
            words=one.value if isinstance(one.value, str) else "",
            unit=one.field.unit,
            unsafe=one.unsafe,
            seen_at=at,
            seen_by_id=current_scope().person_id,
        )
        for name, one in seen.items()
    ]
    # The same report sent again (a retry, a double tap) is the same finding.
    Finding.objects.bulk_create(rows, ignore_conflicts=True)


def write_service(task: Task, seen: Mapping[str, Seen], day: date, note: str) -> None:
    work = task.task_kind.record
    if not work:
        return
    left = seen.get("left_percent")
    row = ServiceRecord(
        organisation_id=task.organisation_id,
        heater_id=task.heater_id,
        kind=work,
        done_earliest=day,
        done_latest=day,
        done_precision="day",
        notes=note,
        done_by=current_scope().actor,
        anode_left_fraction=float(left.value) / 100 if left is not None else None,
    )
    # The same work of the same day that is on record already stands as it is.
    ServiceRecord.objects.bulk_create([row], ignore_conflicts=True)


def bring_record_up_to_date(task: Task, seen: Iterable[Seen], day: date) -> None:
    """Findings that are facts of the heater or its place change the record, with history."""
    for one in seen:
        if not one.field.keeps:
            continue
        whose, name = one.field.keeps.split(".")
        subject = task.heater if whose == "heater" else task.heater.position
        value = ANODE_KINDS.get(one.value, "") if name == "anode_kind" else one.value
        before = getattr(subject, name)
        if before == value:
            continue
        setattr(subject, name, value)
        subject.save(update_fields=[name])
        record_change(subject, "found by care", {name: (before, value)}, task.task_kind.name)
        if name == "setpoint_f":
            ServiceRecord.objects.update_or_create(
                organisation_id=task.organisation_id,
                heater_id=task.heater_id,
                kind=ServiceRecord.Work.SETPOINT_CHANGED,
                done_earliest=day,
                done_latest=day,
                defaults={"done_precision": "day", "setpoint_f": value, "done_by": current_scope().actor},
            )


def _close(task: Task, state: str, day: date, why: str) -> None:
    task.state, task.closed_on, task.closed_because = state, day, why[:300]
    task.save(update_fields=["state", "closed_on", "closed_because"])
    record_change(
        task, f"task {state}", {"state": ("open", state), "closed_on": (None, day.isoformat())}, why
    )


@transaction.atomic
def skip_task(task: Task, reason: str, today: date | None = None) -> Task:
    """Leave this round out, with a reason; the next round is counted from today. Nothing is lost: it is kept."""
    if not reason.strip():
        raise CareRefused("Say why it is left out.", {"reason": "A reason is needed."})
    task = _open(task)
    if task.stopped:
        raise CareRefused("A task stopped by an unsafe finding cannot be left out.")
    day = today or local_today(_property_of(task.heater))
    _close(task, Task.State.SKIPPED, day, reason.strip())
    roll_forward(task.organisation, day, heater_ids=[task.heater_id])
    return task


@transaction.atomic
def override_due(task: Task, due_on: date, reason: str) -> Task:
    """A person sets the day. The rules leave it alone until this round is closed; the old day is in history."""
    if not reason.strip():
        raise CareRefused("Say why the day is changed.", {"reason": "A reason is needed."})
    task = _open(task)
    before = task.due_on
    task.due_on, task.overridden, task.missed_on = due_on, True, None
    task.reason = f"Set by hand: {reason.strip()}"[:400]
    task.save(update_fields=["due_on", "overridden", "reason", "missed_on"])
    record_change(task, "task moved", {"due_on": (before.isoformat(), due_on.isoformat())}, reason.strip())
    return task


def raise_alert(task: Task, what: str, at: datetime) -> UnsafeFinding:
    alert: UnsafeFinding
    alert, new = UnsafeFinding.objects.get_or_create(
        organisation_id=task.organisation_id,
        heater_id=task.heater_id,
        task=task,
        what=what[:300],
        seen_at=at,
        defaults={"seen_by_id": current_scope().person_id},
    )
    if new:
        task.stopped = task.state == Task.State.OPEN
        task.save(update_fields=["stopped"])
        record_change(task, "unsafe finding", {"stopped": (False, True)}, what)
        place = task.heater.position
        announce(
            "unsafe_finding",
            str(alert.pk),
            f"Unsafe: {what[:120]}. Heater {task.heater.tag or task.heater_id}, {place.building}, {place.label}. "
            "Out of service until a named follow-up.",
            organisation_id=task.organisation_id,
            property_id=place.building.property_id,
            address=reverse("care:heater", args=[task.heater_id]),
            happened_at=at,
        )
    return alert


@transaction.atomic
def report_unsafe(task: Task, what: str, at: datetime) -> UnsafeFinding:
    """Stop the task for something unsafe that no field asks for, such as a smell of gas."""
    if not what.strip():
        raise CareRefused("Say what is unsafe.", {"what": "A few words are needed."})
    return raise_alert(_open(task), what.strip(), at)


@transaction.atomic
def close_unsafe(unsafe: UnsafeFinding, follow_up: str, follow_up_by: str, at: datetime) -> UnsafeFinding:
    """Close an alert with what was done and who did it; the last one closed frees the stopped tasks."""
    problems = {}
    if not follow_up.strip():
        problems["follow_up"] = "Say what was done about it."
    if not follow_up_by.strip():
        problems["follow_up_by"] = "Name who did it."
    if problems:
        raise CareRefused("An unsafe finding is closed only with a named follow-up.", problems)
    row: UnsafeFinding = UnsafeFinding.objects.select_for_update(of=("self",)).get(pk=unsafe.pk)
    if row.closed_at is not None:
        raise CareRefused(f"Already closed: {row.follow_up} ({row.follow_up_by}).")
    row.follow_up, row.follow_up_by, row.closed_at = follow_up.strip(), follow_up_by.strip(), at
    row.closed_by_id = current_scope().person_id
    row.save()
    record_change(row, "unsafe finding closed", {"closed_at": (None, at.isoformat())}, row.follow_up)
    settle("unsafe_finding", str(row.pk), organisation_id=row.organisation_id, words=row.follow_up)
    if not UnsafeFinding.objects.filter(heater_id=row.heater_id, closed_at=None).exists():
        Task.objects.filter(heater_id=row.heater_id, state="open", stopped=True).update(stopped=False)
    return row


@transaction.atomic
def set_care(
    property_: Property,
    kind: str,
    source: str,
    interval_months: int | None = None,
    switched_off: bool = False,
    done_by: str = "",
) -> CareSetting:
    """A site's own interval, worker, or leaving out of one task kind; the source is not optional."""
    problems = {}
    if kind not in task_kinds():
        problems["kind"] = f"{kind!r} is not a task kind; {', '.join(sorted(task_kinds()))} are."
    if not source.strip():
        problems["source"] = "Say where this comes from: a contract, a local rule, a manual."
    if interval_months is not None and not 1 <= interval_months <= 240:
        problems["interval_months"] = f"{interval_months} months cannot be; 1 to 240 can."
    if done_by and done_by not in WORKERS:
        problems["done_by"] = f"{done_by!r} is not one of {', '.join(WORKERS)}."
    if problems:
        raise CareRefused("This setting needs another look.", problems)
    values = {
        "source": source.strip(),
        "interval_months": interval_months,
        "switched_off": switched_off,
        "done_by": done_by,
    }
    row: CareSetting
    row, _ = CareSetting.objects.update_or_create(
        organisation_id=property_.organisation_id, property=property_, kind=kind, defaults=values
    )
    record_change(row, "care set", {name: (None, value) for name, value in values.items()}, source)
    return row
