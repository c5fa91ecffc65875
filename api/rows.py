"""Rows as plain values: a shape's columns, filters, cursors and sparse fields. No model objects on the hot road."""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import Http404
from rest_framework import serializers

from api.operations import Asked
from api.problems import Problem

MOST_ROWS = 1000
USUAL_ROWS = 100
Row = dict[str, Any]


def _machine_form(value: Any) -> Any:
    """Values as the API writes them, whatever the language: ISO days and moments in UTC, money as text."""
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Decimal | UUID):
        return str(value)
    raise TypeError(f"{type(value).__name__} has no machine form")


def written(value: Any) -> bytes:
    return json.dumps(
        value, default=_machine_form, ensure_ascii=False, allow_nan=False, separators=(",", ":")
    ).encode()


def tag_of(content: bytes) -> str:
    return f'"{hashlib.blake2b(content, digest_size=16).hexdigest()}"'


@dataclass(frozen=True)
class Filter:
    """A query parameter and the lookup it stands for; `lookup` may also be a function of rows and value."""

    lookup: str | Callable[[Any, Any], Any]
    field: serializers.Field
    says: str

    def apply(self, rows: Any, value: Any) -> Any:
        if callable(self.lookup):
            return self.lookup(rows, value)
        return rows.filter(**{self.lookup: value})


@dataclass(frozen=True)
class Computed:
    """A value made from columns of the same row."""

    needs: tuple[str, ...]
    make: Callable[..., Any]


@dataclass(frozen=True)
class Gathered:
    """A value from other tables, looked up once for all rows of an answer: numbers of rows -> value of each."""

    look_up: Callable[[list[int]], Mapping[int, Any]]
    empty: Any = ()
    needs: tuple[str, ...] = ("id",)


def number(says: str = "") -> serializers.Field:
    return serializers.IntegerField(min_value=1, max_value=2**53)


@dataclass
class Rows:
    """One kind of row: `source` is a scoped query set, made afresh at each use."""

    name: str
    shape: type[serializers.Serializer]
    source: Callable[[], QuerySet[Any]]
    filters: Mapping[str, Filter] = field(default_factory=dict)
    computed: Mapping[str, Computed | Gathered] = field(default_factory=dict)
    key: str = "id"
    newest_first: bool = False
    columns: dict[str, str] = field(init=False)

    def __post_init__(self) -> None:
        self.columns = {
            name: (found.source or name).replace(".", "__")
            for name, found in self.shape().fields.items()
            if name not in self.computed
        }

    # --- one row

    def one(self, pk: int) -> Row:
        """The row as the API writes it. Raises Http404 for a row that is not there or is another's."""
        found = self.values(self.source().filter(pk=pk), self.columns, self.computed)
        if not found:
            raise Http404
        return found[0]

    def values(self, rows: Any, names: Any, computed: Any) -> list[Row]:
        wanted = [name for name in self.columns if name in names]
        needed = {one for name in computed for one in self.computed[name].needs} - set(wanted)
        hidden = sorted(needed)
        lookups = [*(self.columns[name] for name in wanted), *(self.columns.get(one, one) for one in hidden)]
        every = [*wanted, *hidden]
        found = [dict(zip(every, line, strict=True)) for line in rows.values_list(*lookups)]
        for name in computed:
            made = self.computed[name]
            if isinstance(made, Gathered):
                table = made.look_up([row["id"] for row in found])
                for row in found:
                    row[name] = table.get(row["id"], made.empty)
            else:
                for row in found:
                    row[name] = made.make(*(row[one] for one in made.needs))
        for name in hidden:
            if name not in computed:
                for row in found:
                    del row[name]
        return found

    # --- many rows

    def of(self, source: Callable[[], QuerySet[Any]]) -> Rows:
        """The same rows, from a narrower source."""
        return replace(self, source=source)

    def parameters(self) -> dict[str, Asked]:
        own = {name: Asked(found.field, found.says) for name, found in self.filters.items()}
        return own | {
            "fields": Asked(
                serializers.CharField(max_length=2000), "Only these fields, with commas between."
            ),
            "limit": Asked(
                serializers.IntegerField(min_value=1, max_value=MOST_ROWS),
                f"Rows a page, {USUAL_ROWS} if not said.",
            ),
            "after": Asked(serializers.CharField(max_length=200), "The cursor of an earlier page's `next`."),
        }

    def page(self, asked: Mapping[str, Any], address: Callable[[str], str]) -> Row:
        """One page and the address of the next. `asked` holds read parameters by name."""
        rows = self.source()
        for name, filter_ in self.filters.items():
            if name in asked:
                rows = filter_.apply(rows, asked[name])
        names, computed = self._chosen(asked.get("fields"))
        direction = "-" if self.newest_first else ""
        if "after" in asked:
            beyond = "lt" if self.newest_first else "gt"
            rows = rows.filter(**{f"{self.key}__{beyond}": read_cursor(asked["after"])})
        limit = asked.get("limit", USUAL_ROWS)
        with_key = {*names, self.key}
        rows = rows.order_by(f"{direction}{self.key}")[: limit + 1]
        found = self.values(rows, with_key, computed)
        more = len(found) > limit
        items = found[:limit]
        following = address(write_cursor(items[-1][self.key])) if more else None
        if self.key not in names:
            for row in items:
                del row[self.key]
        return {"items": items, "next": following}

    def _chosen(self, fields: str | None) -> tuple[set[str], list[str]]:
        if fields is None:
            return set(self.columns), list(self.computed)
        chosen = {name.strip() for name in fields.split(",") if name.strip()} | {"id"} & set(self.columns)
        known = [*self.columns, *self.computed]
        if unknown := sorted(chosen - set(known)):
            raise Problem(
                "parameter",
                errors=[
                    {
                        "parameter": "fields",
                        "detail": f"{unknown[0][:60]!r} is not a field here; {', '.join(known)} are.",
                    }
                ],
            )
        return chosen & set(self.columns), [name for name in self.computed if name in chosen]


def write_cursor(value: int) -> str:
    return base64.urlsafe_b64encode(f"1:{value}".encode()).decode().rstrip("=")


def read_cursor(text: str) -> int:
    try:
        version, _, value = base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)).decode().partition(":")
        found = int(value)
        if version != "1" or abs(found) > 2**62:
            raise ValueError
    except (ValueError, binascii.Error, UnicodeError):
        raise Problem(
            "parameter",
            errors=[
                {"parameter": "after", "detail": "This is not a cursor. Take it from `next` as it stands."}
            ],
        ) from None
    return found


def read_parameters(query: Any, declared: Mapping[str, Asked]) -> dict[str, Any]:
    """The query's parameters, read and checked; an unknown one is refused, so that a slip is not silently ignored."""
    found, errors = {}, []
    for name in query:
        values = query.getlist(name)
        if name not in declared:
            known = ", ".join(sorted(declared)) or "none"
            errors.append({"parameter": name[:60], "detail": f"Not a parameter here; known: {known}."})
        elif len(values) > 1:
            errors.append({"parameter": name, "detail": "Given more than once."})
        else:
            try:
                found[name] = declared[name].field.run_validation(values[0])
            except serializers.ValidationError as refusal:
                errors.append({"parameter": name, "detail": " ".join(map(str, refusal.detail))})
    if errors:
        raise Problem("parameter", errors=errors)
    return found
