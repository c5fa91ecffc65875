"""For the manager: what was done, what is late, what was left out or refused, and why."""

from __future__ import annotations

import csv
from datetime import date, timedelta
from typing import cast

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from fleet.care import closed_work
from fleet.estate.access import MemberRequest, Need, page
from fleet.estate.calendar import day_of
from fleet.estate.choosing import which
from fleet.estate.models import Organisation
from fleet.heaters.exporting import neutralised

PER_LEAF = 100
MOST_ROWS = 20_000


def _day(text: str, default: date) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return default


@page(Need.READ)
@require_GET
def done(request: HttpRequest) -> HttpResponse:
    organisation = cast(MemberRequest, request).organisation
    asked = which(request.GET)
    ids = asked.ids
    today = day_of(organisation, asked.chosen)
    first = _day(request.GET.get("first", ""), today - timedelta(days=30))
    last = max(_day(request.GET.get("last", ""), today), first)
    rows = closed_work.closed_between(first, last, ids)
    if request.GET.get("as") == "csv":
        return _table(rows[:MOST_ROWS], first, last)
    values = {
        "first": first,
        "last": last,
        "which": asked,
        "is_company": organisation.kind == Organisation.Kind.COMPANY,
        "sums": closed_work.sums(first, last, today, ids),
        "leaf": Paginator(rows, PER_LEAF).get_page(request.GET.get("page")),
    }
    return render(request, "care/done.html", values)


def _table(rows: closed_work.Rows, first: date, last: date) -> HttpResponse:
    response = HttpResponse(content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="work-{first}-to-{last}.csv"'
    out = csv.writer(response)
    out.writerow(["closed on", "property", "building", "heater", "work", "due on", "came to", "why"])
    for row in rows:
        place = row.building
        values = [
            row.closed_on, place.property.name, place.name, row.heater.tag, row.task_kind.name, row.due_on,
            row.get_state_display(), row.closed_because,
        ]  # fmt: skip
        out.writerow([neutralised(str(value)) for value in values])
    return response
