"""Indexes of trigrams: a part of a word is found through them, where else every row would be read.

PostgreSQL only, and only with its extension pg_trgm, which whoever may create things in the database may add. Without
them the same questions have the same answers, later.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db import DatabaseError, connections, transaction


@dataclass(frozen=True)
class Trigrams:
    """One index of a table, by which any of these columns is asked for a part of a word, whatever its case."""

    table: str
    name: str
    columns: tuple[str, ...]


INDEXES = (
    Trigrams("heaters_heater", "heater_by_part_of_word", ("tag", "serial_number", "model_number")),
    Trigrams("estate_position", "position_by_part_of_word", ("label", "room")),
    Trigrams("care_finding", "finding_by_part_of_word", ("words", "name")),
)


def install(using: str = "default", **_: Any) -> None:
    """Put in place what is missing; called after every migration."""
    connection = connections[using]
    tables = set(connection.introspection.table_names())
    wanted = [one for one in missing(connection) if one.table in tables]
    if not wanted or not _extension(connection):
        return
    # Nobody who writes meanwhile waits for it, but within a transaction that cannot be.
    aside = "" if connection.in_atomic_block else "CONCURRENTLY"
    with connection.cursor() as cursor:
        for one in wanted:
            asked = ", ".join(f"upper({column}::text) gin_trgm_ops" for column in one.columns)
            cursor.execute(f"DROP INDEX IF EXISTS {one.name}")  # one whose making was broken off
            cursor.execute(f"CREATE INDEX {aside} {one.name} ON {one.table} USING gin ({asked})")


def missing(connection: Any) -> list[Trigrams]:
    """Those that are not there, or not whole. Another database than PostgreSQL misses none."""
    if connection.vendor != "postgresql":
        return []
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT relname FROM pg_class JOIN pg_index ON indexrelid = oid WHERE indisvalid AND relname = ANY(%s)",
            [[one.name for one in INDEXES]],
        )
        there = {name for (name,) in cursor.fetchall()}
    return [one for one in INDEXES if one.name not in there]


def _extension(connection: Any) -> bool:
    try:
        with transaction.atomic(using=connection.alias), connection.cursor() as cursor:
            cursor.execute("CREATE EXTENSION IF NOT EXISTS pg_trgm")
    except DatabaseError:  # it is not installed beside this PostgreSQL, or this role may not add it
        return False
    return True
