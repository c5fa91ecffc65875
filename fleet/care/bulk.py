"""Writes many new tasks at once. The general way of making rows was ten times slower than deciding on them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db import connection

# organisation, heater, building, kind, cycle, due day, window, rule, reason, caution
NewTask = tuple[int, int, int, str, int, str, int, str, str, str]
_COPY = """COPY care_task (organisation_id, heater_id, building_id, kind, cycle, due_on, window_days, rule, reason, caution,
    state, overridden, closed_because, stopped, promised_words) FROM STDIN"""
_INSERT = """INSERT INTO care_task (organisation_id, heater_id, building_id, kind, cycle, due_on, window_days, rule, reason, caution,
    state, overridden, closed_because, stopped, promised_words)
    VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)"""
_FRESH: tuple[Any, ...] = ("open", False, "", False, "")


def insert_tasks(rows: Sequence[NewTask]) -> None:
    """Insert open tasks inside the caller's transaction; the table's constraints hold as for any other row."""
    if not rows:
        return
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(_COPY) as copy:
                for row in rows:
                    copy.write_row(row + _FRESH)
        else:
            cursor.executemany(_INSERT, [row + _FRESH for row in rows])


def refresh_statistics() -> None:
    """Tell the database how large the table has grown: planned for the empty one, reading a slice's or a heater's tasks
    goes through all of them. SQLite never looks by itself; a sample of its tables takes it hundredths of a second."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("ANALYZE care_task")
        else:
            cursor.execute("PRAGMA analysis_limit = 1000")
            cursor.execute("ANALYZE")


def do_not_wait_for_the_disk() -> None:
    """For the rest of this transaction: a roll that a power failure takes back is made again by the next one, and the
    job that says it is done waits for all that came before it. A third of a first roll's time was this waiting."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SET LOCAL synchronous_commit TO off")
