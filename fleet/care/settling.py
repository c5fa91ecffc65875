"""What waits from phones is settled by a person, with both values before her eyes; nothing sent is thrown away."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime

from django.db import transaction

from fleet.care import services
from fleet.care.models import SentEntry, Task
from fleet.care.phone import MOVED
from fleet.care.phone_reading import Entry, Unreadable, in_record_units, read_entry
from fleet.care.reading import CareRefused, read_findings
from fleet.estate.history import record_change
from fleet.estate.scope import current_scope

# What a person can choose, in her words.
CHOICES: Mapping[str, str] = {
    "phone": "Take what the phone says",
    "record": "Leave the record as it is",
    "successor": "It was the new heater in this place",
}


def choices_for(row: SentEntry) -> list[tuple[str, str]]:
    """The choices that make sense for one entry."""
    found = ["record"]
    moved_only = row.result == SentEntry.Result.NOTED and all(one[0] in MOVED for one in row.both)
    if row.task is not None and not moved_only:
        found.insert(0, "phone")
        if row.kind == SentEntry.Kind.DONE and not row.task.heater.in_service and _successor(row.task):
            found.insert(1, "successor")
    return [(code, CHOICES[code]) for code in found]


def _successor(task: Task | None) -> Task | None:
    if task is None:
        return None
    rows = Task.objects.filter(
        heater__position_id=task.heater.position_id, heater__ending="", kind=task.kind, state="open"
    )
    found: Task | None = rows.select_related("heater__position__building__property").first()
    return found


@transaction.atomic
def settle(entry: SentEntry, choice: str, reason: str, at: datetime) -> SentEntry:
    """Settle one waiting entry as a person chose, with a reason for history."""
    if not reason.strip():
        raise CareRefused("Say why, in a few words.", {"reason": "A reason is needed."})
    row: SentEntry = SentEntry.objects.select_for_update(of=("self",)).get(pk=entry.pk)
    if not row.waits():
        raise CareRefused(f"This was settled already: {row.settlement or row.words}")
    if choice not in dict(choices_for(row)):
        raise CareRefused("Choose one of: " + "; ".join(words for _, words in choices_for(row)) + ".")
    if choice == "phone":
        _take(row, row.task)
    elif choice == "successor":
        _take(row, _successor(row.task))
    row.settled_at, row.settled_by_id = at, current_scope().person_id
    row.settlement = f"{CHOICES[choice]}: {reason.strip()}"[:400]
    row.save(update_fields=["settled_at", "settled_by_id", "settlement"])
    record_change(row, "phone entry settled", {"settled_at": (None, at.isoformat())}, row.settlement)
    return row


def _take(row: SentEntry, task: Task | None) -> None:
    if task is None:
        raise CareRefused("The task is not there any more.")
    try:
        entry = in_record_units(read_entry(row.sent), task)
    except Unreadable as error:
        raise CareRefused(f"The entry as it was sent cannot be read. {error}") from error
    if row.result == SentEntry.Result.NOTED:
        _set_values(row, task, entry)
        return
    if task.state == Task.State.OPEN and task.heater.in_service:
        OPEN_VERBS[row.kind](row, task, entry)
        return
    if row.kind != SentEntry.Kind.DONE:
        raise CareRefused("The task is closed; leave the record as it is and enter what is needed anew.")
    _add_to_closed(row, task, entry)


def _complete(row: SentEntry, task: Task, entry: Entry) -> None:
    services.complete_task(task, entry.answers, row.worked_at, sure=True, note=entry.words)


def _leave_out(row: SentEntry, task: Task, entry: Entry) -> None:
    services.skip_task(task, entry.words, services.local_day(task.heater, row.worked_at))


def _unsafe(row: SentEntry, task: Task, entry: Entry) -> None:
    services.report_unsafe(task, entry.words, row.worked_at)


OPEN_VERBS: Mapping[str, Callable[[SentEntry, Task, Entry], None]] = {
    SentEntry.Kind.DONE: _complete,
    SentEntry.Kind.LEFT_OUT: _leave_out,
    SentEntry.Kind.UNSAFE: _unsafe,
}


def _set_values(row: SentEntry, task: Task, entry: Entry) -> None:
    """The work is done and kept; only the record's own values follow the phone now."""
    seen, _ = read_findings(task, entry.answers)
    services.bring_record_up_to_date(task, seen.values(), services.local_day(task.heater, row.worked_at))


def _add_to_closed(row: SentEntry, task: Task, entry: Entry) -> None:
    """Findings of work on a task that was closed elsewhere stand beside the others, newer ones first."""
    seen, problems = read_findings(task, entry.answers)
    usable = {name: problem for name, problem in problems.items() if entry.answers.get(name)}
    if usable:
        raise CareRefused("Some findings cannot be used: " + " ".join(usable.values()))
    services.keep_findings(task, seen, row.worked_at)
    services.write_service(task, seen, services.local_day(task.heater, row.worked_at), entry.words)
    if task.heater.in_service:
        services.roll_forward(task.organisation, heater_ids=[task.heater_id])
