"""The triggers behind the change feed, put in place after every migration: altering a table on SQLite drops them.

Each names the table, the kind as the API calls it, and the query that leads from a column of a row to its property.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db import connections

from fleet.estate.marks import trigger_names
from fleet.heaters.record_sums import OF_BUILDING, OF_HEATER, OF_POSITION


@dataclass(frozen=True)
class Watched:
    kind: str
    table: str
    key: str
    place: str = "{key}"
    # Comes by the hundred thousand: very many at once are written down as a span.
    in_spans: bool = False
    # Rows move to another property when `key` is altered.
    moves: bool = False

    def property(self, key: str) -> str:
        found = self.place.format(key=key)
        return found if found == key else f"({found})"


WATCHED = (
    Watched("properties", "estate_property", "id"),
    Watched("buildings", "estate_building", "property_id"),
    Watched("positions", "estate_position", "building_id", OF_BUILDING, in_spans=True),
    Watched("heaters", "heaters_heater", "position_id", OF_POSITION, in_spans=True, moves=True),
    Watched("service_records", "heaters_servicerecord", "heater_id", OF_HEATER, in_spans=True),
    Watched("water_tests", "heaters_watertest", "property_id"),
    Watched("visits", "care_visit", "building_id", OF_BUILDING),
    Watched("tasks", "care_task", "building_id", OF_BUILDING, in_spans=True),
    Watched("findings", "care_finding", "heater_id", OF_HEATER),
    Watched("unsafe_findings", "care_unsafefinding", "heater_id", OF_HEATER),
)
_INTO = "INSERT INTO api_changedrow (organisation_id, property_id, kind, row_id, gone)"
# The property of a deleted row may be gone already; then the one it had last stands.
_AGAIN = """ON CONFLICT (kind, row_id) DO UPDATE SET gone = excluded.gone, place = NULL,
    organisation_id = excluded.organisation_id,
    property_id = COALESCE(excluded.property_id, api_changedrow.property_id),
    left_property_id = CASE WHEN excluded.property_id <> api_changedrow.property_id
        THEN api_changedrow.property_id ELSE api_changedrow.left_property_id END"""
# New rows have numbers that were never seen, unless somebody gave them by hand: one look at the span of numbers saves
# looking for each, which is half of what the feed costs.
_NEVER_SEEN = (
    "IF EXISTS (SELECT FROM api_changedrow c WHERE c.kind = '{kind}' AND c.row_id BETWEEN "
    "(SELECT min(id) FROM touched) AND (SELECT max(id) FROM touched)) THEN {again} {span}ELSE {plain}; END IF;"
)
VERY_MANY = 500
_AS_SPAN = (
    "ELSIF (SELECT count(*) FROM touched) > {many} THEN "
    "INSERT INTO api_changedspan (organisation_id, kind, first_id, last_id) "
    "SELECT organisation_id, '{kind}', min(id), max(id) FROM touched GROUP BY organisation_id; "
)
EVENTS = (("insert", "NEW", False), ("update", "NEW", False), ("delete", "OLD", True))


def install(sender: Any = None, using: str = "default", **_: Any) -> None:
    """Put the triggers in place; rows of a table that had none before count as changed."""
    connection = connections[using]
    tables = set(connection.introspection.table_names())
    if "api_changedrow" not in tables:
        return
    there = trigger_names(connection)
    for watched in WATCHED:
        if watched.table not in tables:
            continue
        standing = f"feed_{watched.kind}_insert" in there
        if watched.moves and connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                for statement in _before_it_moves(watched, f"feed_{watched.kind}_moved" in there):
                    cursor.execute(statement)
        for event, row, gone in EVENTS:
            for statement in _statements(connection.vendor, watched, event, row, gone):
                # A trigger that stands stays; what it runs is brought up to date where that is a thing of its own.
                if not standing or statement.startswith("CREATE OR REPLACE FUNCTION"):
                    with connection.cursor() as cursor:
                        cursor.execute(statement)
        if not standing:
            _count_all_as_changed(connection, watched)


def _statements(vendor: str, watched: Watched, event: str, row: str, gone: bool) -> list[str]:
    name = f"feed_{watched.kind}_{event}"
    if vendor == "sqlite":
        place = watched.property(f"{row}.{watched.key}")
        # "WHERE true" keeps the parser from reading ON CONFLICT as part of a join.
        return [
            f"CREATE TRIGGER {name} AFTER {event.upper()} ON {watched.table} FOR EACH ROW BEGIN "
            f"{_INTO} SELECT {row}.organisation_id, {place}, '{watched.kind}', {row}.id, {int(gone)} WHERE true {_AGAIN}; END"
        ]
    # Once a statement, not once a row: taking in a hundred thousand rows stays one insert more.
    seen = f"REFERENCING {row} TABLE AS touched"
    plain = _of_touched(watched, gone)
    body = f"{plain} {_AGAIN};"
    if event == "insert":
        span = _AS_SPAN.format(kind=watched.kind, many=VERY_MANY) if watched.in_spans else ""
        body = _NEVER_SEEN.format(kind=watched.kind, plain=plain, again=body, span=span)
    return [
        f"CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN {body} RETURN NULL; END $$",
        f"DROP TRIGGER IF EXISTS {name} ON {watched.table}",
        f"CREATE TRIGGER {name} AFTER {event.upper()} ON {watched.table} {seen} FOR EACH STATEMENT "
        f"EXECUTE FUNCTION {name}()",
    ]


def _before_it_moves(watched: Watched, stands: bool) -> list[str]:
    """What moves while it stands in a span is written down by itself first, with the property it leaves: who keeps a
    copy of that one is then told that it is gone. By row, since few are ever moved; the statement's own trigger comes after."""
    name, key = f"feed_{watched.kind}_moved", watched.key
    left = watched.property(f"OLD.{key}")
    body = f"{_INTO} VALUES (OLD.organisation_id, {left}, '{watched.kind}', OLD.id, false) ON CONFLICT DO NOTHING;"
    function = (
        f"CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN {body} RETURN NULL; END $$"
    )
    trigger = (
        f"CREATE TRIGGER {name} AFTER UPDATE OF {key} ON {watched.table} FOR EACH ROW "
        f"WHEN (OLD.{key} IS DISTINCT FROM NEW.{key}) EXECUTE FUNCTION {name}()"
    )
    return [function] if stands else [function, trigger]


def _of_touched(watched: Watched, gone: bool) -> str:
    """The changed rows in their order. Many share a place (five services a heater, twenty heaters a building), and the
    way to its property is the dearest part: it is gone once for all of them. No join, whose plan, once made for one
    row, would be kept for a hundred thousand."""
    key = watched.key
    return (
        f"{_INTO} SELECT led.organisation_id, led.property_id, '{watched.kind}', one.id, {gone} FROM ("
        f"SELECT alike.organisation_id, {watched.property('alike.key')} AS property_id, alike.ids FROM ("
        f"SELECT organisation_id, {key} AS key, array_agg(id) AS ids FROM touched GROUP BY organisation_id, {key}"
        ") AS alike OFFSET 0) AS led, unnest(led.ids) AS one(id) ORDER BY one.id"
    )


def _count_all_as_changed(connection: Any, watched: Watched) -> None:
    gone = "false" if connection.vendor == "postgresql" else "0"
    place = watched.property(f"t.{watched.key}")
    with connection.cursor() as cursor:
        cursor.execute(
            f"{_INTO} SELECT t.organisation_id, {place}, '{watched.kind}', t.id, {gone} "
            f"FROM {watched.table} t WHERE true ORDER BY t.id {_AGAIN}"
        )
