"""What phones send is applied here: each entry exactly once, in one transaction with the verb that it asks for.

Nothing that came is lost. What cannot be applied because the record has moved on waits for a person, with both
values; something unsafe raises its alert even then.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.db import IntegrityError, transaction
from django.urls import reverse

from fleet.care import services, visits
from fleet.care.clock import Clock, worked_at
from fleet.care.models import Finding, SentEntry, Task, Visit
from fleet.care.phone_reading import Entry, Unreadable, in_record_units, read_entry
from fleet.care.reading import CareRefused, read_findings
from fleet.care.rules import say
from fleet.estate.happenings import announce
from fleet.estate.scope import current_scope, unscoped
from fleet.pages.reading import in_my_units

logger = logging.getLogger(__name__)
MAX_ENTRIES = 200
MOVED = ("Due day", "Day of the visit")
LATER = "later"  # not stored: the phone keeps the entry
Result = SentEntry.Result
Rows = list[list[str]]


@dataclass
class Outcome:
    result: str = Result.KEPT
    words: str = "Kept."
    both: Rows = field(default_factory=list)


def take_batch(
    organisation_id: int, entries: list[Any], device_now: datetime | None, received_at: datetime
) -> list[dict[str, Any]]:
    """Apply a batch in its order. An entry that fails to be read does not hold up the others."""
    offset = received_at - device_now if device_now else timedelta(0)
    return [_answer(organisation_id, raw, received_at, offset) for raw in entries]


def _answer(organisation_id: int, raw: Any, received_at: datetime, offset: timedelta) -> dict[str, Any]:
    try:
        entry = read_entry(raw)
        row = take_entry(organisation_id, entry, raw, received_at, offset)
    except Unreadable as error:
        return {"key": key_of(raw), "result": Result.REFUSED, "words": str(error), "both": []}
    except Exception:
        logger.exception("An entry of a phone could not be applied")
        words = "The server could not take this one now. It stays on the phone and is sent again."
        return {"key": key_of(raw), "result": LATER, "words": words, "both": []}
    return answer_of(row)


def key_of(raw: Any) -> str:
    return str(raw.get("key", ""))[:64] if isinstance(raw, dict) else ""


def answer_of(row: SentEntry) -> dict[str, Any]:
    both = [[in_my_units(str(cell)) for cell in line] for line in row.both]
    return {"key": str(row.key), "result": row.result, "words": in_my_units(row.words), "both": both}


def take_entry(
    organisation_id: int, entry: Entry, raw: Mapping[str, Any], received_at: datetime, offset: timedelta
) -> SentEntry:
    """Apply one entry, or return what the first arrival of the same entry came to."""
    return once(entry, lambda: _apply(organisation_id, entry, dict(raw), received_at, offset))


def once(entry: Entry, apply: Callable[[], SentEntry]) -> SentEntry:
    if (known := known_entry(entry)) is not None:
        return known
    try:
        with transaction.atomic():
            return apply()
    except IntegrityError:
        known = known_entry(entry)
        if known is None:
            raise
        return known


def known_entry(entry: Entry) -> SentEntry | None:
    person = current_scope().person_id
    with unscoped("the sender's own entry by its key, also where its property is not known"):
        row: SentEntry | None = SentEntry.objects.filter(key=entry.key).first()
    if row is not None and row.person_id != person:
        raise Unreadable("This entry was sent by another person. Sign in as the one who made it.")
    return row


def new_row(
    organisation_id: int, entry: Entry, raw: dict[str, Any], received_at: datetime, offset: timedelta
) -> SentEntry:
    """The entry's row, written before the verb runs: its key holds a second arrival back.

    It belongs to the house whose heater it is about, also where a company's person sent it.
    """
    clock = Clock(received_at, offset, entry.fetched_at, entry.offset_at_fetching)
    worked = worked_at(entry.claimed_at, clock)
    task = _task(entry.task_id)
    visit = _visit(entry.visit_id)
    place = task.heater.position.building if task else visit.building if visit else None
    row: SentEntry = SentEntry.objects.create(
        organisation_id=place.organisation_id if place else organisation_id,
        property_id=place.property_id if place else None,
        key=entry.key,
        kind=entry.kind,
        person_id=current_scope().person_id,
        task=task,
        visit=visit,
        sent=raw,
        claimed_at=entry.claimed_at,
        worked_at=worked.at,
        clock_words=worked.words,
        received_at=received_at,
        result=Result.KEPT,
        words=Outcome.words,
    )
    return row


def _task(number: int | None) -> Task | None:
    rows = Task.objects.select_related(
        "heater__position__building__property", "heater__organisation", "visit"
    )
    found: Task | None = rows.filter(pk=number).first() if number else None
    return found


def _visit(number: int | None) -> Visit | None:
    rows = Visit.objects.select_related("building__property")
    found: Visit | None = rows.filter(pk=number).first() if number else None
    return found


def _apply(
    organisation_id: int, entry: Entry, raw: dict[str, Any], received_at: datetime, offset: timedelta
) -> SentEntry:
    row = new_row(organisation_id, entry, raw, received_at, offset)
    try:
        with transaction.atomic():
            outcome = VERBS[entry.kind](in_record_units(entry, row.task), row)
    except CareRefused as refused:
        outcome = _held_up(entry, row, refused)
    return finish(row, outcome)


def finish(row: SentEntry, outcome: Outcome) -> SentEntry:
    if outcome != Outcome():  # a row is written as what comes of most: simply kept
        row.result, row.words, row.both = outcome.result, outcome.words[:600], outcome.both
        row.save(update_fields=["result", "words", "both"])
    if row.result == Result.DECIDE:
        announce(
            "phone_entry_waits",
            str(row.key),
            f"Sent from a phone and waiting for a person: {row.words}",
            organisation_id=row.organisation_id,
            property_id=row.property_id,
            address=reverse("care:sent"),
            urgent=False,
        )
    return row


def _needed_task(row: SentEntry) -> Task:
    if row.task is None:
        raise CareRefused("This task is not on record here.")
    task: Task = row.task
    return task


def _done(entry: Entry, row: SentEntry) -> Outcome:
    task = _needed_task(row)
    moved = _moved_since(task, entry)
    clashes = _changed_values(task, entry)
    outcome = services.complete_task(
        task,
        entry.answers,
        row.worked_at,
        sure=entry.sure,
        note=entry.words,
        leave=[name for name, _ in clashes],
    )
    both = moved + [one for _, one in clashes]
    if outcome.stopped:
        return Outcome(Result.STOPPED, "Unsafe: the task is stopped and an alert is raised.", both)
    if clashes:
        words = "Kept. A value on record was changed meanwhile; a person decides which one stands."
        return Outcome(Result.NOTED, words, both)
    if moved:
        return Outcome(Result.NOTED, "Kept and counted as done. The office had moved it meanwhile.", both)
    return Outcome()


def _moved_since(task: Task, entry: Entry) -> Rows:
    rows = []
    if entry.base.due_on is not None and entry.base.due_on != task.due_on:
        rows.append([MOVED[0], say(task.due_on), say(entry.base.due_on)])
    day = task.visit.day if task.visit else None
    if entry.base.visit_day is not None and entry.base.visit_day != day:
        rows.append([MOVED[1], say(day) if day else "no visit", say(entry.base.visit_day)])
    return rows


def record_value(task: Task, keeps: str) -> Any:
    whose, name = keeps.split(".")
    return getattr(task.heater if whose == "heater" else task.heater.position, name)


def _changed_values(task: Task, entry: Entry) -> list[tuple[str, list[str]]]:
    """Fields of the record that were changed after the phone showed them, to something else than was found."""
    found = []
    seen, _ = read_findings(task, entry.answers)
    for name, one in seen.items():
        keeps = one.field.keeps
        if not keeps or name not in entry.base.values:
            continue
        now = record_value(task, keeps)
        if now != entry.base.values[name] and now not in (None, "", one.value):
            unit = one.field.unit
            found.append((name, [one.field.label, f"{now} {unit}".strip(), f"{one.value} {unit}".strip()]))
    return found


def _unsafe(entry: Entry, row: SentEntry) -> Outcome:
    task = _needed_task(row)
    if not entry.words:
        raise CareRefused("Nothing was said about what is unsafe.")
    if task.state == Task.State.OPEN:
        services.report_unsafe(task, entry.words, row.worked_at)
    else:
        _alert_anyway(task, [entry.words], row.worked_at)
    return Outcome(Result.STOPPED, "Unsafe: the task is stopped and an alert is raised.")


def _left_out(entry: Entry, row: SentEntry) -> Outcome:
    task = _needed_task(row)
    services.skip_task(task, entry.words, services.local_day(task.heater, row.worked_at))
    return Outcome(words="Left out this time; the reason is kept.")


def _started(entry: Entry, row: SentEntry) -> Outcome:
    return _visit_times(row, visits.begin_visit, "begun")


def _ended(entry: Entry, row: SentEntry) -> Outcome:
    return _visit_times(row, visits.end_visit, "ended")


def _visit_times(row: SentEntry, verb: Callable[[Visit, datetime], bool], what: str) -> Outcome:
    if row.visit is None:
        words = "This visit is not on record any more; its tasks are in the queue. The time is kept here."
        return Outcome(Result.REFUSED, words)
    changed = verb(row.visit, row.worked_at)
    return Outcome(
        words=f"The visit is {what}." if changed else f"The visit was {what} already; that time stands."
    )


VERBS: Mapping[str, Callable[[Entry, SentEntry], Outcome]] = {
    SentEntry.Kind.DONE: _done,
    SentEntry.Kind.UNSAFE: _unsafe,
    SentEntry.Kind.LEFT_OUT: _left_out,
    SentEntry.Kind.STARTED: _started,
    SentEntry.Kind.ENDED: _ended,
}


def _held_up(entry: Entry, row: SentEntry, refused: CareRefused) -> Outcome:
    """The record has moved on, or the entry needs another look: both sides are shown to a person."""
    words = " ".join([str(refused), *refused.problems.values()])
    if row.task is None:
        return Outcome(Result.DECIDE, words, [["Entry", "nothing", _said(entry)]])
    task = Task.objects.select_related("heater__position__building").get(pk=row.task_id)
    both = _both_sides(task, entry, row)
    seen, _ = read_findings(task, entry.answers)
    dangers = [one.said for one in seen.values() if one.unsafe]
    if entry.kind == SentEntry.Kind.UNSAFE and entry.words:
        dangers.append(entry.words)
    if dangers and task.heater.in_service:
        _alert_anyway(task, dangers, row.worked_at)
        words += " What was unsafe has raised its alert all the same."
    return Outcome(Result.DECIDE, words, both)


def _alert_anyway(task: Task, dangers: list[str], at: datetime) -> None:
    if not task.heater.in_service:
        raise CareRefused("This heater left service since; its tasks ended with it.")
    for what in dangers:
        services.raise_alert(task, what, at)


def _said(entry: Entry) -> str:
    parts = [f"{name}: {value}" for name, value in entry.answers.items() if value]
    return "; ".join([*parts, *([entry.words] if entry.words else [])]) or "no words"


def _stands_now(task: Task) -> str:
    words: str = task.get_state_display()
    because = task.closed_because.rstrip(".")
    if task.closed_on:
        words = f"{words} on {say(task.closed_on)}"
        words += f": {because}" if because.lower() != task.get_state_display().lower() else ""
    if not task.heater.in_service:
        gone = f"({task.heater.get_ending_display()})"
        words += f" {gone}" if "left service" in because else f"; the heater left service {gone}"
    return words


def _both_sides(task: Task, entry: Entry, row: SentEntry) -> Rows:
    day = services.local_day(task.heater, row.worked_at)
    mine = f"{row.get_kind_display()} on {say(day)}" + (f": {entry.words}" if entry.words else "")
    rows = [["Task", _stands_now(task), mine]]
    on_record: dict[str, str] = {}
    for finding in Finding.objects.filter(task=task).order_by("seen_at", "id"):
        on_record[finding.name] = finding.value
    for one in task.task_kind.findings:
        answer = entry.answers.get(one.name, "")
        if answer:
            rows.append([one.label, on_record.get(one.name, "nothing"), f"{answer} {one.unit}".strip()])
    return rows
