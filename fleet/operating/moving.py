"""`move-to`: every row from this database into an empty PostgreSQL, compared by count and digest before it is kept."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.core.exceptions import ImproperlyConfigured
from django.core.management import call_command
from django.db import DatabaseError, connection, connections, transaction
from django.db.utils import ConnectionHandler

from fleet import environment
from fleet.operating import snapshot
from fleet.operating.snapshot import Content, Tally

TARGET = "move_target"


class MoveRefused(ValueError):
    """The record cannot be moved; the message says why and what would be right."""


def move_to(database_url: str, say: Callable[[str], Any] = lambda words: None) -> dict[str, Content]:
    """Rows per table with their digest. Nothing is kept there when anything differs; nothing is changed here.

    Nobody may write here meanwhile: on SQLite the write lock is held from the first row to the last.
    """
    target = _target(database_url)
    try:
        pending = snapshot.applied_migrations(connection)
        say("Making the tables there")
        call_command("migrate", database=TARGET, interactive=False, verbosity=0)
        if snapshot.applied_migrations(target) != pending:
            raise MoveRefused("The tables here are not up to date. Run `manage.py migrate` first.")
        with transaction.atomic(), transaction.atomic(using=TARGET):
            return _carried(target, say)
    except DatabaseError as error:
        raise MoveRefused(f"The move failed and nothing was kept: {str(error).strip()[:400]}") from error
    finally:
        target.close()
        del connections.databases[TARGET]


def _target(database_url: str) -> Any:
    try:
        wanted = environment.postgres(database_url)
    except ImproperlyConfigured as error:
        raise MoveRefused(str(error).replace("ALMANAC_DATABASE_URL", "--database-url")) from error
    own = connection.settings_dict
    if connection.vendor == "postgresql" and all(
        str(own[name]) == str(wanted[name]) for name in ("NAME", "HOST", "PORT")
    ):
        raise MoveRefused("That is the database the record is in already.")
    connections.databases[TARGET] = ConnectionHandler({"default": wanted}).databases["default"]
    target = connections[TARGET]
    try:
        target.ensure_connection()
    except DatabaseError as error:
        del connections.databases[TARGET]
        raise MoveRefused(f"The new database does not answer: {str(error).strip()[:300]}") from error
    if not snapshot.is_empty(target):
        raise MoveRefused(
            "The new database already holds an organisation or a person. Move into an empty one."
        )
    return target


def _carried(target: Any, say: Callable[[str], Any]) -> dict[str, Content]:
    kept = snapshot.models_after(connection, snapshot.applied_migrations(connection))
    found: dict[str, Content] = {}
    for model in kept:
        snapshot.empty(model, target)
    for model in kept:
        tally = Tally()

        def lines(model: Any = model, tally: Tally = tally) -> Any:
            for line in snapshot.lines_of(model, connection):
                tally.add(line)
                yield line

        snapshot.write_lines(model, lines(), target)
        found[model._meta.db_table] = tally.content()
    for model in kept:
        name = model._meta.db_table
        there = snapshot.content_of(model, target)
        if there != found[name]:
            raise MoveRefused(
                f"The table {name} came out differently: {there.rows} rows of {found[name].rows}."
            )
        if there.rows:
            say(f"{name}: {there.rows:,} rows, the same")
    snapshot.reset_sequences(kept, target)
    return found
