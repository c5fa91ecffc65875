"""For the manager: what was done, what is late, what was left out or refused, and why."""

from __future__ import annotations

from datetime import date, timedelta
from typing import cast

from django.http import HttpRequest, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import render
from django.views.decorators.http import require_GET

from fleet.care import closed_work
from fleet.care.models import Task
from fleet.estate.access import MemberRequest, Need, page
from fleet.estate.calendar import day_of
from fleet.estate.choosing import which
from fleet.estate.leaves import Leaves
from fleet.estate.models import Organisation
from fleet.heaters.csv_answer import csv_answer

PER_LEAF = 100
MOST_ROWS = 20_000


def _day(text: str, default: date) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return default


@page(Need.READ)
@require_GET
def done(request: HttpRequest) -> HttpResponseBase:
    organisation = cast(MemberRequest, request).organisation
    asked = which(request.GET)
    ids = asked.ids
    today = day_of(organisation, asked.chosen)
    first = _day(request.GET.get("first", ""), today - timedelta(days=30))
    last = max(_day(request.GET.get("last", ""), today), first)
    rows = closed_work.closed_between(first, last, ids)
    if request.GET.get("as") == "csv":
        return _table(closed_work.one_by_one(rows)[:MOST_ROWS], first, last)
    sums = closed_work.sums(first, last, today, ids)
    closed = sum(kind.closed for kind in sums["kinds"])
    leaves = Leaves(rows, PER_LEAF, closed_work.one_by_one(Task.objects.all()).in_bulk, closed)
    values = {
        "first": first,
        "last": last,
        "which": asked,
        "is_company": organisation.kind == Organisation.Kind.COMPANY,
        "sums": sums,
        "leaf": leaves.get_page(request.GET.get("page")),
    }
    return render(request, "care/done.html", values)


def _table(rows: closed_work.Rows, first: date, last: date) -> StreamingHttpResponse:
    headings = ["closed on", "property", "building", "heater", "work", "due on", "came to", "why"]
    lines = (
        (
            row.closed_on, row.building.property.name, row.building.name, row.heater.tag, row.task_kind.name,
            row.due_on, row.get_state_display(), row.closed_because,
        )
        for row in rows.iterator(2000)
    )  # fmt: skip
    return csv_answer(f"work-{first}-to-{last}.csv", headings, lines)
