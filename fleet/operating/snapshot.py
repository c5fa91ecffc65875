"""Every table's rows as plain lines, whatever the database: read at one instant, counted, digested, written elsewhere.

The models are those of the migrations that the database has had, not those of today's code, so that a back-up of an
earlier version can be put back as it was and then be brought up to date.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.core.management.color import no_style
from django.db import models, transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations.loader import MigrationLoader

from fleet.estate.bulk_rows import in_parts

ROWS_AT_A_TIME = 2000
# Sessions are not carried: whoever holds a back-up must not be able to walk in as somebody.
# What has changed since when, and kept sums, come about anew at the other place: its triggers see to that.
LEFT_OUT = frozenset(
    {
        "sessions.session",
        "api.changedrow",
        "api.changedspan",
        "api.changefeed",
        "care.duesum",
        "care.duemark",
        "heaters.recordsum",
        "heaters.recordmark",
    }
)
Model = type[models.Model]
Row = list[Any]
# What these hold goes to the database as JSON holds it; every other field is asked to prepare its value.
_AS_IT_IS = (models.CharField, models.TextField, models.IntegerField, models.FloatField, models.BooleanField)


@dataclass(frozen=True)
class Content:
    """How many rows, and a digest of them that does not depend on their order."""

    rows: int
    sha256: str


class Tally:
    def __init__(self) -> None:
        self.rows, self.total = 0, 0

    def add(self, line: str) -> None:
        self.rows += 1
        self.total += int.from_bytes(hashlib.sha256(line.encode()).digest(), "big")

    def content(self) -> Content:
        return Content(self.rows, f"{self.total % 2**256:064x}")


def applied_migrations(connection: BaseDatabaseWrapper) -> list[tuple[str, str]]:
    return sorted(MigrationLoader(connection).applied_migrations)


def models_after(connection: BaseDatabaseWrapper, migrations: Iterable[tuple[str, str]]) -> list[Model]:
    """The models as they are once just these migrations have run, by their tables' names."""
    loader = MigrationLoader(connection)
    wanted = {key for key in migrations if key in loader.graph.nodes}
    leaves = [key for key in wanted if not any(child.key in wanted for child in loader.graph.node_map[key].children
                                               if child.key[0] == key[0])]  # fmt: skip
    found = loader.project_state(leaves).apps.get_models(include_auto_created=True)
    kept = [
        one
        for one in found
        if one._meta.managed and not one._meta.proxy and one._meta.label_lower not in LEFT_OUT
    ]
    return sorted(kept, key=lambda one: one._meta.db_table)


def columns_of(model: Model) -> list[models.Field[Any, Any]]:
    return [one for one in model._meta.concrete_fields if not getattr(one, "generated", False)]


@contextmanager
def one_instant(connection: BaseDatabaseWrapper) -> Iterator[None]:
    """Reads within see the database as it was at their start; in PostgreSQL and SQLite's WAL nobody waits for them."""
    if connection.in_atomic_block:
        yield
    elif connection.vendor == "postgresql":
        with transaction.atomic(using=connection.alias):
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
            yield
    else:
        with connection.cursor() as cursor:
            cursor.execute("BEGIN DEFERRED")
            try:
                yield
            finally:
                cursor.execute("ROLLBACK")


def lines_of(model: Model, connection: BaseDatabaseWrapper) -> Iterator[str]:
    """Each row as a JSON list in the order of its columns, smallest number first."""
    names = [one.attname for one in columns_of(model)]
    rows = model._base_manager.using(connection.alias).order_by("pk").values_list(*names)
    for row in rows.iterator(chunk_size=ROWS_AT_A_TIME):
        yield json.dumps(
            [_plain(value) for value in row], ensure_ascii=False, separators=(",", ":"), sort_keys=True
        )


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat() if value.tzinfo else value.isoformat()
    if isinstance(value, (date, time)):
        return value.isoformat()
    if isinstance(value, (Decimal, UUID)):
        return str(value)
    if isinstance(value, (dict, list)):
        return _steady(value)
    if isinstance(value, (bytes, memoryview)):
        return bytes(value).hex()
    raise TypeError(f"A value of type {type(value).__name__} cannot be carried.")


def _steady(value: Any) -> Any:
    """JSON as both databases give it back: one writes 100000 where the other was given 1e5."""
    if isinstance(value, dict):
        return {name: _steady(one) for name, one in value.items()}
    if isinstance(value, list):
        return [_steady(one) for one in value]
    return int(value) if isinstance(value, float) and value.is_integer() else value


def content_of(model: Model, connection: BaseDatabaseWrapper) -> Content:
    tally = Tally()
    for line in lines_of(model, connection):
        tally.add(line)
    return tally.content()


def write_lines(model: Model, lines: Iterable[str], connection: BaseDatabaseWrapper) -> None:
    """Insert rows as `lines_of` gave them, with the table's constraints and triggers on."""
    fields = columns_of(model)
    prepare = [_preparing(one, connection) for one in fields]
    names = ", ".join(connection.ops.quote_name(str(one.column)) for one in fields)
    table = connection.ops.quote_name(model._meta.db_table)

    def rows() -> Iterator[Row]:
        for line in lines:
            yield [
                value if way is None else way(value)
                for way, value in zip(prepare, json.loads(line), strict=True)
            ]

    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f"COPY {table} ({names}) FROM STDIN") as copy:
                for row in rows():
                    copy.write_row(row)
            return
        statement = f"INSERT INTO {table} ({names}) VALUES ({', '.join(['%s'] * len(fields))})"  # noqa: S608
        for some in in_parts(rows(), ROWS_AT_A_TIME):
            cursor.executemany(statement, some)


def _preparing(field: models.Field[Any, Any], connection: BaseDatabaseWrapper) -> Callable[[Any], Any] | None:
    while isinstance(field, models.ForeignKey):
        field = field.target_field
    if isinstance(field, models.BinaryField):
        return lambda value: None if value is None else bytes.fromhex(value)
    if isinstance(field, _AS_IT_IS) or (
        isinstance(field, models.DateField) and not isinstance(field, models.DateTimeField)
    ):
        return None
    if isinstance(field, models.AutoField):
        return None
    return lambda value: None if value is None else field.get_db_prep_save(field.to_python(value), connection)


def empty(model: Model, connection: BaseDatabaseWrapper) -> None:
    """Take out what the migrations themselves put in, if anything."""
    table = connection.ops.quote_name(model._meta.db_table)
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT 1 FROM {table} LIMIT 1")  # noqa: S608 - a table of ours
        if cursor.fetchone():
            cursor.execute(f"DELETE FROM {table}")  # noqa: S608


def is_empty(connection: BaseDatabaseWrapper) -> bool:
    """No organisation and no person: a place into which a record may be put."""
    tables = connection.introspection.table_names()
    with connection.cursor() as cursor:
        for table in ("estate_organisation", "estate_person"):
            if table in tables:
                cursor.execute(f"SELECT 1 FROM {table} LIMIT 1")  # noqa: S608
                if cursor.fetchone():
                    return False
    return True


def reset_sequences(kept: list[Model], connection: BaseDatabaseWrapper) -> None:
    """The next number of each table follows its largest."""
    with connection.cursor() as cursor:
        for statement in connection.ops.sequence_reset_sql(no_style(), kept):
            cursor.execute(statement)
