"""Promises made to a client: they pull a task forward, and nothing but a person or a safety rule moves it later."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from django.db import transaction
from django.db.models import Max

from fleet.care.facts import facts_of
from fleet.care.kinds import task_kinds
from fleet.care.models import Task
from fleet.care.roll import local_today, promise_sentence, roll_forward
from fleet.care.rules import applies, decide
from fleet.care.services import CareRefused
from fleet.estate.bulk_rows import in_parts
from fleet.estate.history import Change, record_change, record_changes
from fleet.estate.models import Organisation
from fleet.heaters.models import Heater


class PromiseRefused(CareRefused):
    """This cannot be promised here: no such heater or kind, or a safety rule or the site holds the work back."""


@transaction.atomic
def promise_care(organisation: Organisation, heater_id: int, kind: str, by: date, words: str) -> Task:
    """Make or tighten the open task of that kind so that it is due by the promised day.

    Asked again with the same or a later day it changes nothing. Raises PromiseRefused, with the reason to show,
    where the work is not done at this heater at all (such as the flush of an old tank never flushed).
    """
    heater = _heater(organisation, heater_id)
    _may_be_promised(heater, kind)
    words = words.strip()[:200]
    if not words:
        raise PromiseRefused(
            "Say where the promise stands.", {"words": "Such as: contract 12, yearly flush."}
        )
    row: Task | None = (
        Task.objects.select_for_update(of=("self",)).filter(heater=heater, kind=kind, state="open").first()
    )
    if row is None:
        return _new_task(heater, kind, by, words)
    if row.promised_by is not None and row.promised_by <= by:
        return row
    before = (row.promised_by, row.due_on)
    row.promised_by, row.promised_words = by, words
    if row.due_on > by:
        row.due_on, row.rule, row.reason, row.missed_on = by, "promised", promise_sentence(by, words), None
    row.save(update_fields=["promised_by", "promised_words", "due_on", "rule", "reason", "missed_on"])
    changes = {
        "promised_by": (before[0] and before[0].isoformat(), by.isoformat()),
        "due_on": (before[1].isoformat(), row.due_on.isoformat()),
    }
    record_change(row, "task promised", changes, words)
    return row


def _heater(organisation: Organisation, heater_id: int) -> Heater:
    rows = Heater.objects.select_related("position__building__property", "organisation")
    heater: Heater | None = rows.filter(pk=heater_id, organisation=organisation).first()
    if heater is None:
        raise PromiseRefused("This heater is not on record here.")
    if not heater.in_service:
        raise PromiseRefused("This heater left service; nothing can be promised for it.")
    return heater


def _may_be_promised(heater: Heater, kind: str) -> None:
    kinds = task_kinds()
    if kind not in kinds:
        raise PromiseRefused(f"{kind!r} is not a task kind; {', '.join(sorted(kinds))} are.")
    today = local_today(heater.position.building.property)
    facts = facts_of(heater, today)
    if not applies(kinds[kind], facts):
        raise PromiseRefused(f"{kinds[kind].name}: not done on this kind of heater.")
    held = decide(facts, {kind: kinds[kind]}, today)[1]
    if kind in held:
        raise PromiseRefused(held[kind].why)


def _new_task(heater: Heater, kind: str, by: date, words: str) -> Task:
    last = Task.objects.filter(heater=heater, kind=kind).aggregate(last=Max("cycle"))["last"] or 0
    row: Task = Task.objects.create(
        organisation_id=heater.organisation_id,
        heater=heater,
        kind=kind,
        cycle=last + 1,
        due_on=by,
        window_days=task_kinds()[kind].window_days,
        rule="promised",
        reason=promise_sentence(by, words),
        promised_by=by,
        promised_words=words,
    )
    record_change(row, "task promised", {"promised_by": (None, by.isoformat())}, words)
    return row


@transaction.atomic
def withdraw_promises(organisation: Organisation, heater_ids: Sequence[int], words: str) -> int:
    """Take back the promises of these heaters' open tasks, with the reason in history; the rules' days hold again."""
    rows = list(
        Task.objects.select_for_update(of=("self",))
        .filter(organisation=organisation, heater_id__in=heater_ids, state="open", promised_by__isnull=False)
        .select_related("heater__position__building")
        .order_by("id")
    )
    record_changes(
        Change(row, "promise withdrawn", {"promised_by": (row.promised_by.isoformat(), None)}, words)
        for row in rows
    )
    for ids in in_parts([row.pk for row in rows], 500):
        Task.objects.filter(pk__in=ids).update(promised_by=None, promised_words="")
    if rows:
        roll_forward(organisation, heater_ids=sorted({row.heater_id for row in rows}))
    return len(rows)
