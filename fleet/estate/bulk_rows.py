"""Writes very many new rows: COPY on PostgreSQL, executemany on SQLite. Constraints and triggers hold as ever.

Columns that are not given take the model's own default, so that a field added later is filled without a word here.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal
from itertools import islice
from typing import Any, TypeVar

from django.db import connection, models
from django.utils import timezone

_NO_TEXT = {"\\": "\\\\", "\t": "\\t", "\n": "\\n", "\r": "\\r"}
GROWN_BY = 1000  # below that any plan will do
AT_A_TIME = 5000

Item = TypeVar("Item")


def in_parts(items: Iterable[Item], size: int) -> Iterator[list[Item]]:
    """The items in their order, so many at a time."""
    rest = iter(items)
    while part := list(islice(rest, size)):
        yield part


def new_ids(model: type[models.Model], count: int) -> list[int]:
    """So many numbers for new rows, rising; beside others who add rows at the same time not always without gaps."""
    table = model._meta.db_table
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            # Named once: to look the name up takes longer than to draw a number.
            cursor.execute(
                "SELECT nextval(named.sequence) FROM (SELECT pg_get_serial_sequence(%s, 'id')::regclass AS sequence "
                "OFFSET 0) AS named, generate_series(1, %s)",
                [table, count],
            )
            return [number for (number,) in cursor.fetchall()]
        # A number once given is not given again, also where its row is gone.
        cursor.execute("SELECT seq FROM sqlite_sequence WHERE name = %s", [table])
        [given] = cursor.fetchone() or (0,)
        cursor.execute(f'SELECT COALESCE(MAX(id), 0) FROM "{table}"')  # noqa: S608 - a table of ours
        [last] = cursor.fetchone() or (0,)
        last = max(given, last)
        return list(range(last + 1, last + 1 + count))


def reserve_ids(model: type[models.Model], count: int) -> int:
    """The first of `count` numbers one after the other, for a record that nobody else is writing to."""
    if connection.vendor != "postgresql":
        return new_ids(model, count)[0]
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_get_serial_sequence(%s, 'id')", [model._meta.db_table])
        [sequence] = cursor.fetchone() or ("",)
        # Two makers at once would be given the same numbers between the two calls.
        cursor.execute("SELECT pg_advisory_xact_lock(hashtext(%s))", [sequence])
        cursor.execute("SELECT setval(%s, nextval(%s) + %s)", [sequence, sequence, count])
        [last] = cursor.fetchone() or (0,)
        return int(last) - count


def write_rows(model: type[models.Model], columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """Write rows of the named columns (as the database calls them) inside the caller's transaction."""
    _write(model, columns, [], (list(zip(*some, strict=True)) for some in in_parts(rows, AT_A_TIME)))


def write_columns(model: type[models.Model], columns: Mapping[str, Sequence[Any]]) -> None:
    """Write rows given column by column. What all rows hold alike is made ready once."""
    alike = {
        name: values[0]
        for name, values in columns.items()
        if values and values.count(values[0]) == len(values)
    }
    unlike = {name: values for name, values in columns.items() if name not in alike} or dict(columns)
    count = len(next(iter(unlike.values())))
    blocks = (
        [values[at : at + AT_A_TIME] for values in unlike.values()] for at in range(0, count, AT_A_TIME)
    )
    _write(model, list(unlike), [(name, one) for name, one in alike.items() if name not in unlike], blocks)


def _write(
    model: type[models.Model],
    columns: Sequence[str],
    alike: Sequence[tuple[str, Any]],
    blocks: Iterable[Sequence[Sequence[Any]]],
) -> None:
    names, filling = [*columns, *(name for name, _ in alike)], [value for _, value in alike]
    for field in model._meta.concrete_fields:
        column = str(field.column)
        if column not in names and not field.primary_key:
            names.append(column)
            filling.append(_default_of(field))
    table = model._meta.db_table
    quoted = ", ".join(f'"{name}"' for name in names)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            rest = "".join(f"\t{_copied(value)}" for value in filling) + "\n"
            copied = f'COPY "{table}" ({quoted}) FROM STDIN'
            # What the server refuses comes as the copy ends, outside of what Django's cursor looks after.
            with connection.wrap_database_errors, cursor.copy(copied) as copy:
                for block in blocks:
                    copy.write(rest.join(map("\t".join, zip(*map(_column, block), strict=True))) + rest)
            return
        marks, last = ", ".join(["%s"] * len(names)), [*map(_bound, filling)]
        cursor.executemany(
            f'INSERT INTO "{table}" ({quoted}) VALUES ({marks})',  # noqa: S608 - names of ours
            [(*map(_bound, row), *last) for block in blocks for row in zip(*block, strict=True)],
        )


def look_at_what_has_grown(rows: Mapping[type[models.Model], int]) -> None:
    """Count the tables that have just grown by a good part, by so many rows, and do not wait for the database's own sweep:
    until then it plans for the table that was there, and may read all of an organisation's rows to find five thousand.
    """
    if connection.vendor != "postgresql":
        return
    with connection.cursor() as cursor:
        for model, count in rows.items():
            table = model._meta.db_table
            cursor.execute("SELECT reltuples FROM pg_class WHERE oid = %s::regclass", [table])
            [known] = cursor.fetchone() or (0,)
            if count >= GROWN_BY and count > known / 2:
                cursor.execute(f'ANALYZE (SKIP_LOCKED) "{table}"')


def _default_of(field: models.Field[Any, Any]) -> Any:
    if getattr(field, "auto_now", False) or getattr(field, "auto_now_add", False):
        return timezone.now()
    value = field.get_default()
    return json.dumps(value) if isinstance(value, (dict, list)) else value


def _column(values: Sequence[Any]) -> Iterable[str]:
    """One column's values as COPY holds them: many at a time where they are of one kind, each unlike value once."""
    kinds = set(map(type, values))
    if kinds in ({int}, {float}):
        return map(repr, values)
    if kinds == {str}:
        together = "".join(values)
        if not any(mark in together for mark in _NO_TEXT):
            return values
    if len(kinds - {type(None)}) <= 1 and kinds <= _WRITTEN.keys():
        written = {value: _copied(value) for value in set(values)}
        return map(written.__getitem__, values)
    return map(_copied, values)


def _copied(value: Any) -> str:
    """A value as the text form of COPY holds it."""
    write = _WRITTEN.get(type(value))
    return write(value) if write is not None else _text(str(value))


def _text(text: str) -> str:
    if text.isalnum():
        return text
    for plain, escaped in _NO_TEXT.items():
        text = text.replace(plain, escaped)
    return text


_WRITTEN: dict[type, Callable[[Any], str]] = {
    type(None): lambda value: "\\N",
    bool: lambda value: "t" if value else "f",
    int: repr,
    float: repr,
    str: _text,
    date: date.isoformat,
    datetime: datetime.isoformat,
    Decimal: str,
}


def _bound(value: Any) -> Any:
    """A value as SQLite keeps it: days as text, which its driver no longer makes of them by itself."""
    return value.isoformat() if type(value) is date else value
