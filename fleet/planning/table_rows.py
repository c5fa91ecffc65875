"""A forecast's tables one by one, beside its whole result: a page reads the few that it shows.

A run made before they were kept apart has no `overall`; its whole result is read in their place.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from decimal import Decimal
from typing import Any

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models

from fleet.estate.bulk_rows import write_rows
from fleet.estate.scope import ScopedModel

GROUPINGS = ("property", "building", "kind")
COLUMNS = ("organisation_id", "run_id", "grouping", "key", "cost", "years", "own_years")
Row = dict[str, Any]  # a group as a run's result holds it: `key`, `years`


class RunTable(ScopedModel):
    """The years of one property, building or kind in one run, as they stand in the run's result."""

    run = models.ForeignKey(  # the index of `one_table_a_group` begins with it
        "planning.ForecastRun", on_delete=models.CASCADE, related_name="tables", db_index=False
    )
    grouping = models.CharField(max_length=10)
    key = models.CharField(max_length=30, help_text="Number of the property or building, or the kind")
    cost = models.DecimalField(max_digits=16, decimal_places=2, help_text="Expected, over all years")
    years = models.JSONField(encoder=DjangoJSONEncoder)
    own_years = models.JSONField(
        null=True,
        encoder=DjangoJSONEncoder,
        help_text="Of a property whose fiscal year starts in another month than the portfolio's",
    )

    class Meta:
        ordering = ["id"]
        constraints = [models.UniqueConstraint(fields=["run", "grouping", "key"], name="one_table_a_group")]

    def __str__(self) -> str:
        return f"{self.grouping} {self.key} in forecast {self.run_id}"


def _text(value: Any) -> str:
    return json.dumps(value, cls=DjangoJSONEncoder, separators=(",", ":"))


def keep_tables(run: Any, plan: Row) -> Row:
    """Write a plan's tables apart, in the caller's transaction; the rest of it, for the run's own row."""
    own = {row["key"]: row for row in plan["own_years"]}
    RunTable.objects.filter(run=run).delete()
    write_rows(
        RunTable,
        COLUMNS,
        (
            (
                run.organisation_id,
                run.pk,
                grouping,
                str(row["key"]),
                str(row["years"][-1]["cost_so_far"]["expected"]),
                _text(row["years"]),
                _text(own[row["key"]]) if grouping == "property" and row["key"] in own else None,
            )
            for grouping in GROUPINGS
            for row in plan["groups"][grouping]
        ),
    )
    rest = {name: value for name, value in plan.items() if name not in ("groups", "own_years")}
    return rest | {"groups": {"total": plan["groups"]["total"]}}


def costs_of(run: Any, grouping: str) -> dict[Any, Decimal]:
    """What each listed group costs over all years, by its key."""
    if run.overall is None:
        rows = run.result["groups"][grouping]
        return {row["key"]: Decimal(row["years"][-1]["cost_so_far"]["expected"]) for row in rows}
    return {_key(grouping, key): cost for key, cost in _kept(run, grouping).values_list("key", "cost")}


def years_of(run: Any, grouping: str, keys: Collection[Any] | None = None) -> dict[Any, list[Row]]:
    """The years of groups, of all that are listed or some of them, by key."""
    if run.overall is None:
        rows = run.result["groups"].get(grouping, [])
        return {row["key"]: row["years"] for row in rows if keys is None or row["key"] in keys}
    found = _kept(run, grouping, keys).values_list("key", "years")
    return {_key(grouping, key): years for key, years in found}


def own_years_of(run: Any, keys: Collection[int] | None = None) -> dict[int, Row]:
    """Properties that have years of their own, with these and their calendar, by number."""
    if run.overall is None:
        return {row["key"]: row for row in run.result["own_years"] if keys is None or row["key"] in keys}
    found = _kept(run, "property", keys).filter(own_years__isnull=False)
    return {row["key"]: row for row in found.values_list("own_years", flat=True)}


def _kept(run: Any, grouping: str, keys: Collection[Any] | None = None) -> Any:
    found = RunTable.objects.filter(run=run, grouping=grouping)
    return found if keys is None else found.filter(key__in=[str(key) for key in keys])


def _key(grouping: str, written: str) -> Any:
    return written if grouping == "kind" else int(written)
