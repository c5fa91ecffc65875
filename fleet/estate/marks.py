"""Marks: which places have changed since their sums were counted. The database's own triggers set them, so that no
verb, import or mending by hand can forget to.

A mark is a row that is added, and taken away once its place was counted; it is never altered. So setting one waits
for nobody, and no two transactions can stand in each other's way over a sum. Whoever reads sums counts marked places
afresh: a sum is believed only while its place bears no mark.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db import connections


@dataclass(frozen=True)
class Watched:
    """A table whose rows bear on a place's sums. `place` leads from `key` of a row to the place, `columns` are those
    that matter when a row is altered (none named: all do). `sums` and `marks` are tables too."""

    table: str
    sums: str
    marks: str
    place_column: str
    key: str
    place: str
    columns: tuple[str, ...] = ()
    events: tuple[str, ...] = ("insert", "update", "delete")

    def name(self, event: str) -> str:
        return f"mark_{self.marks}_{self.table}_{event}"


def install(watched: tuple[Watched, ...], using: str) -> None:
    """Put the triggers in place. Where one was missing, who knows what has changed: no kept sum is believed."""
    connection = connections[using]
    tables = set(connection.introspection.table_names())
    watched = tuple(one for one in watched if {one.table, one.sums, one.marks} <= tables)
    gone = missing(watched, connection)
    with connection.cursor() as cursor:
        for one in watched:
            for event in one.events:
                for statement in _statements(connection.vendor, one, event, one.name(event) not in gone):
                    cursor.execute(statement)
    if gone:
        forget(watched, connection)


def forget(watched: tuple[Watched, ...], connection: Any) -> None:
    """Drop the sums and mark every place that the first of the tables leads to: others have nothing to be counted."""
    with connection.cursor() as cursor:
        cursor.execute(f"DELETE FROM {watched[0].sums}")
        cursor.execute(_mark_of(watched[0], watched[0].table))


def missing(watched: tuple[Watched, ...], connection: Any) -> list[str]:
    there = trigger_names(connection)
    return [one.name(event) for one in watched for event in one.events if one.name(event) not in there]


def trigger_names(connection: Any) -> set[str]:
    names = {
        "sqlite": "SELECT name FROM sqlite_master WHERE type = 'trigger'",
        "postgresql": "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal",
    }
    with connection.cursor() as cursor:
        cursor.execute(names[connection.vendor])
        return {name for (name,) in cursor.fetchall()}


def _mark_of(one: Watched, *sources: str, where: str = "") -> str:
    """One mark for each place that the rows of the sources lead to; keys first, since many rows share one."""
    keys = " UNION ".join(
        f"SELECT DISTINCT organisation_id, {one.key} AS key FROM {name}{where}" for name in sources
    )
    place = one.place.format(key="touched.key")
    return (
        f"INSERT INTO {one.marks} (organisation_id, {one.place_column}) SELECT DISTINCT organisation_id, place FROM "
        f"(SELECT organisation_id, {place} AS place FROM ({keys}) AS touched) AS led_to WHERE place IS NOT NULL"
    )


def _statements(vendor: str, one: Watched, event: str, stands: bool) -> list[str]:
    name = one.name(event)
    if vendor == "sqlite":
        return [] if stands else [_by_row(one, event, name)]
    # Once a statement, not once a row: laying out a hundred thousand tasks marks each building once a slice.
    reference, body = {
        "insert": ("NEW TABLE AS came", _mark_of(one, "came")),
        "delete": ("OLD TABLE AS went", _mark_of(one, "went")),
        "update": ("OLD TABLE AS went NEW TABLE AS came", _altered(one)),
    }[event]
    function = (
        f"CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN {body}; RETURN NULL; END $$"
    )
    trigger = (
        f"CREATE TRIGGER {name} AFTER {event.upper()} ON {one.table} REFERENCING {reference} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {name}()"
    )
    return [function] if stands else [function, trigger]


def _altered(one: Watched) -> str:
    if not one.columns:
        return _mark_of(one, "went", "came")
    before, after = (", ".join(f"{table}.{column}" for column in one.columns) for table in ("went", "came"))
    changed = (
        f"SELECT came.id FROM came JOIN went ON went.id = came.id WHERE ({before}) IS DISTINCT FROM ({after})"
    )
    return _mark_of(one, "went", "came", where=f" WHERE id IN ({changed})")


def _by_row(one: Watched, event: str, name: str) -> str:
    """SQLite has no other triggers. It has one writer at a time, so a place that bears a mark needs no second."""
    rows = {"insert": ("NEW",), "delete": ("OLD",), "update": ("OLD", "NEW")}[event]
    different = " OR ".join(f"OLD.{column} IS NOT NEW.{column}" for column in one.columns)
    when = f"WHEN {different} " if event == "update" and different else ""
    marks = "".join(
        f"INSERT INTO {one.marks} (organisation_id, {one.place_column}) SELECT {row}.organisation_id, led_to.place FROM "
        f"(SELECT {one.place.format(key=f'{row}.{one.key}')} AS place) AS led_to WHERE led_to.place IS NOT NULL AND "
        f"NOT EXISTS (SELECT 1 FROM {one.marks} AS mark WHERE mark.{one.place_column} = led_to.place); "
        for row in rows
    )
    return f"CREATE TRIGGER {name} AFTER {event.upper()} ON {one.table} FOR EACH ROW {when}BEGIN {marks}END"
