"""An entry as a phone sends it, read and checked before anything is done with it."""

from __future__ import annotations

import math
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

from fleet.care import asking
from fleet.care.models import Task
from fleet.care.phone_rows import SentEntry

MAX_WORDS = 1000
MAX_ANSWERS = 60
LONGEST_OFFSET = timedelta(days=366 * 60)  # a phone without a battery wakes up in 1970


class Unreadable(ValueError):
    """The entry cannot be read; the message names the field, its value and what would be right."""


@dataclass(frozen=True)
class Base:
    """What the phone showed when the entry was made: told apart from what the office changed since."""

    due_on: date | None = None
    visit_day: date | None = None
    values: Mapping[str, float | str | None] = field(default_factory=dict)


@dataclass(frozen=True)
class Entry:
    key: uuid.UUID
    kind: str
    task_id: int | None
    visit_id: int | None
    answers: Mapping[str, str]
    sure: bool
    words: str
    claimed_at: datetime | None
    fetched_at: datetime | None
    offset_at_fetching: timedelta | None
    base: Base
    metric: bool = False  # the answers are in the units of a metric reader


def in_record_units(entry: Entry, task: Task | None) -> Entry:
    """The entry with its findings in the record's units."""
    if task is None or not entry.metric:
        return entry
    return replace(
        entry, metric=False, answers=asking.in_record_units(task.task_kind.findings, entry.answers, True)
    )


def _wrong(name: str, value: object, right: str) -> Unreadable:
    return Unreadable(f"{name}: {str(value)[:80]!r} cannot be used. Right would be {right}.")


def read_key(raw: Mapping[str, Any]) -> uuid.UUID:
    try:
        return uuid.UUID(str(raw.get("key", "")))
    except ValueError as error:
        raise _wrong("key", raw.get("key"), "a UUID made on the phone") from error


def read_entry(raw: object) -> Entry:
    if not isinstance(raw, dict):
        raise _wrong("entry", raw, "an object")
    key = read_key(raw)
    kind = raw.get("kind")
    if kind not in SentEntry.Kind.values:
        raise _wrong("kind", kind, f"one of {', '.join(SentEntry.Kind.values)}")
    needs = "visit" if kind in {SentEntry.Kind.STARTED, SentEntry.Kind.ENDED} else "task"
    numbers = {name: _number(raw, name) for name in ("task", "visit")}
    if numbers[needs] is None:
        raise _wrong(needs, raw.get(needs), "a number")
    return Entry(
        key=key,
        kind=str(kind),
        task_id=numbers["task"],
        visit_id=numbers["visit"],
        answers=_answers(raw.get("answers") or {}),
        sure=raw.get("sure") is True,
        words=_text(raw.get("words", "")),
        claimed_at=read_moment(raw.get("claimed_at"), "claimed_at"),
        fetched_at=read_moment(raw.get("fetched_at"), "fetched_at"),
        offset_at_fetching=read_offset(raw.get("offset_ms")),
        base=_base(raw.get("base") or {}),
        metric=raw.get("metric") is True,
    )


def _number(raw: Mapping[str, Any], name: str) -> int | None:
    value = raw.get(name)
    if value is None:
        return None
    if not isinstance(value, int) or isinstance(value, bool) or not 0 < value < 2**63:
        raise _wrong(name, value, "a number of this record")
    return value


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise _wrong("words", value, "text")
    return value.replace("\x00", "").strip()[:MAX_WORDS]


def _answers(value: object) -> dict[str, str]:
    if not isinstance(value, dict) or len(value) > MAX_ANSWERS:
        raise _wrong("answers", value, f"an object of at most {MAX_ANSWERS} findings")
    found = {}
    for name, answer in value.items():
        if not isinstance(answer, str | int | float) or isinstance(answer, bool):
            raise _wrong(f"answers.{name}", answer, "text or a number")
        found[str(name)[:60]] = _text(str(answer))
    return found


def read_moment(value: object, name: str) -> datetime | None:
    if value in (None, ""):
        return None
    try:
        moment = datetime.fromisoformat(str(value))
        return moment.astimezone(UTC) if moment.tzinfo else None
    except (ValueError, OverflowError) as error:
        raise _wrong(name, value, "such as 2026-11-25T14:00:00Z") from error


def read_offset(value: object) -> timedelta | None:
    if not isinstance(value, int | float) or isinstance(value, bool) or not math.isfinite(value):
        return None
    if abs(value) > LONGEST_OFFSET.total_seconds() * 1000:
        return None
    return timedelta(milliseconds=value)


def _base(value: object) -> Base:
    if not isinstance(value, dict):
        raise _wrong("base", value, "an object")
    values = value.get("values") or {}
    if not isinstance(values, dict) or len(values) > MAX_ANSWERS:
        raise _wrong("base.values", values, "an object")
    plain = {
        str(name): one for name, one in values.items() if one is None or isinstance(one, str | int | float)
    }
    return Base(_day(value.get("due_on")), _day(value.get("visit_day")), plain)


def _day(value: object) -> date | None:
    if value in (None, ""):
        return None
    try:
        return date.fromisoformat(str(value))
    except ValueError as error:
        raise _wrong("base", value, "a day such as 2026-11-25") from error
