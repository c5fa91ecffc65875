"""The list of heaters as it is asked for: filters, order, columns; the same rows for the page and for its file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from django.db.models import F, FilteredRelation, Q
from django.http import QueryDict

from fleet.estate.leaves import Leaves
from fleet.estate.models import Position
from fleet.estate.scope import current_scope
from fleet.heaters import record_reading
from fleet.heaters.models import AnodeKind, Heater, Kind
from fleet.pages import selectors, words
from fleet.pages.meeting import heaters_meeting
from fleet.planning.models import ForecastRun

LEAVES = (50, 200, 2000)
SERVICES = {"in": "in service", "ended": "left service", "all": "all"}
AGES = (5, 8, 10, 12, 15, 20)
CHANCES = (10, 25, 50, 75)
PLACE = ("position__building__property__name", "position__building__name", "position__label")


@dataclass(frozen=True)
class Column:
    """One column: its heading, what a row shows in it, and by what it is put in order (nothing: it cannot be)."""

    key: str
    heading: str
    order: tuple[Any, ...] = ()
    number: bool = False
    usual: bool = True


COLUMNS: tuple[Column, ...] = (
    Column("tag", "Heater", ("tag",)),
    Column("place", "Where", PLACE),
    Column("kind", "Kind", ("kind",)),
    Column("capacity", "Capacity", ("capacity_gal",), number=True),
    Column("installed", "Put in", ("installed_latest",)),
    Column("age", "Age"),
    Column("chance", "Fails within 36 months", ("look__p_fail_36_months",), number=True),
    Column("anode", "Anode", ("anode_kind",), usual=False),
    Column("setpoint", "Set point", ("setpoint_f",), number=True, usual=False),
    Column("maker", "Maker", ("maker",), usual=False),
    Column("model", "Model number", ("model_number",), usual=False),
    Column("serial", "Serial number", ("serial_number",), usual=False),
    Column("warranty", "Warranty, years", ("warranty_years",), number=True, usual=False),
)
BY_KEY = {column.key: column for column in COLUMNS}
FIELDS = (
    *selectors.HEATER_COLUMNS,
    "anode_kind",
    "setpoint_f",
    "maker",
    "model_number",
    "serial_number",
    "warranty_years",
)


@dataclass(frozen=True)
class Asked:
    """What a query string asks for; whatever it cannot mean is left at its usual value."""

    words: str
    property_id: int | None
    kind: str
    service: str
    age_from: int | None
    chance_from: int | None
    order: str
    descending: bool
    columns: tuple[Column, ...]
    leaf_size: int

    @property
    def is_plain(self) -> bool:
        """Whether it asks for all that are in service."""
        narrowed = (self.words.strip(), self.kind, self.property_id, self.age_from, self.chance_from)
        return self.service == "in" and all(value in ("", None) for value in narrowed)

    @classmethod
    def read(cls, query: QueryDict) -> Asked:
        order = query.get("order", "tag")
        descending, key = order.startswith("-"), order.lstrip("-")
        if key not in BY_KEY or not BY_KEY[key].order:
            descending, key = False, "tag"
        chosen = [BY_KEY[name] for name in query.getlist("column") if name in BY_KEY]
        columns = chosen or [column for column in COLUMNS if column.usual]
        if BY_KEY["tag"] not in columns:
            columns.insert(0, BY_KEY["tag"])
        return cls(
            query.get("words", "")[:100],
            _whole(query.get("property")),
            query.get("kind", "") if query.get("kind") in Kind.values else "",
            query.get("service", "in") if query.get("service") in SERVICES else "in",
            _whole(query.get("age")),
            _whole(query.get("chance")),
            key,
            descending,
            tuple(sorted(columns, key=COLUMNS.index)),
            size if (size := _whole(query.get("leaf"))) in LEAVES and size else LEAVES[0],
        )

    def without_chance(self) -> Asked:
        """The same where no forecast stands: neither a column of nothing nor a filter that nobody passes."""
        columns = tuple(column for column in self.columns if column.key != "chance")
        by = ("tag", False) if self.order == "chance" else (self.order, self.descending)
        return replace(self, columns=columns, chance_from=None, order=by[0], descending=by[1])


def _whole(text: str | None) -> int | None:
    return int(text) if text and text.isascii() and text.isdigit() and len(text) < 10 else None


def rows(asked: Asked, run: ForecastRun | None, today: date) -> Any:
    """The heaters asked for, in order."""
    found = _with_chance(Heater.objects.all(), run)
    if asked.service == "in":
        found = found.filter(ending="")
    elif asked.service == "ended":
        found = found.exclude(ending="")
    if asked.property_id is not None:
        places = Position.objects.filter(building__property_id=asked.property_id).values("id")
        found = found.filter(position__in=places)
    if asked.kind:
        found = found.filter(kind=asked.kind)
    if asked.age_from is not None:
        found = found.filter(installed_latest__lte=_years_before(today, asked.age_from))
    found = found.filter(heaters_meeting(asked.words.split()[:6]))
    if asked.chance_from is not None:
        found = found.filter(look__p_fail_36_months__gte=asked.chance_from / 100)
    return found.order_by(*_order(asked), "id")


def leaves(asked: Asked, run: ForecastRun | None, today: date) -> Leaves:
    """The same, leaf by leaf; how many are in service stands with what is kept of each property."""

    def read(numbers: list[int]) -> dict[int, Any]:
        return {row["id"]: row for row in values(_with_chance(Heater.objects.filter(pk__in=numbers), run))}

    count = record_reading.how_many_serve() if asked.is_plain else None
    hard_to_find = bool(asked.words.strip()) or current_scope().is_of_places
    return Leaves(rows(asked, run, today), asked.leaf_size, read, count, at_once=hard_to_find)


def _with_chance(heaters: Any, run: ForecastRun | None) -> Any:
    of_run = Q(outlooks__run_id=run.pk if run else None)
    return heaters.annotate(look=FilteredRelation("outlooks", condition=of_run))


def _order(asked: Asked) -> list[Any]:
    fields = [F(name) for name in BY_KEY[asked.order].order]
    return [
        field.desc(nulls_last=True) if asked.descending else field.asc(nulls_last=True) for field in fields
    ]


def _years_before(day: date, years: int) -> date:
    year = max(1, day.year - min(years, 200))
    return day.replace(year=year, day=28) if (day.month, day.day) == (2, 29) else day.replace(year=year)


def values(heaters: Any) -> Any:
    return heaters.annotate(chance=F("look__p_fail_36_months")).values(*FIELDS, "chance")


def cells(row: dict[str, Any], columns: tuple[Column, ...], today: date) -> list[str]:
    """What a row shows in each column, as words in the reader's units."""
    shown = selectors.shown_heater(row, today)
    return [TEXTS[column.key](shown) for column in columns]


def _age(row: dict[str, Any]) -> str:
    return "–" if row["ending"] else row["age"] + (" (since made)" if row["age_by_make"] else "")


def _anode(row: dict[str, Any]) -> str:
    return str(AnodeKind(row["anode_kind"]).label) if row["anode_kind"] else words.NOT_KNOWN


TEXTS: dict[str, Callable[[dict[str, Any]], str]] = {
    "tag": lambda row: str(row["tag"]),
    "place": lambda row: ", ".join(row[name] for name in PLACE),
    "kind": lambda row: str(row["kind_name"]),
    "capacity": lambda row: words.a_number(row["capacity_gal"], "gal"),
    "installed": lambda row: str(row["installed"]),
    "age": _age,
    "chance": lambda row: "–" if row["chance"] is None else words.percent(row["chance"]),
    "anode": _anode,
    "setpoint": lambda row: words.a_number(row["setpoint_f"], "°F"),
    "maker": lambda row: row["maker"] or words.NOT_KNOWN,
    "model": lambda row: row["model_number"] or words.NOT_KNOWN,
    "serial": lambda row: row["serial_number"] or words.NOT_KNOWN,
    "warranty": lambda row: words.a_number(row["warranty_years"]),
}
