"""The list of heaters on the page and as a file, and the lists a person keeps under a name."""

from __future__ import annotations

from typing import Any, cast

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, QueryDict
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from fleet.estate.access import MemberRequest, Need, page
from fleet.estate.calendar import today_of
from fleet.estate.choosing import listed
from fleet.estate.models import Property
from fleet.heaters.csv_answer import BYTE_ORDER_MARK, csv_answer
from fleet.heaters.models import Kind
from fleet.pages import forecasts, heater_list
from fleet.pages.models import KeptList
from fleet.planning.models import ForecastRun

NOT_KEPT = ("page", "csrfmiddlewaretoken", "name")


@page(Need.READ)
@require_GET
def heaters(request: HttpRequest) -> HttpResponse:
    member = cast(MemberRequest, request)
    today = today_of(member.organisation)
    asked, run = _asked(request)
    leaf = heater_list.leaves(asked, run, today).get_page(request.GET.get("page"))
    lines = [
        {"id": row["id"], "ended": row["ending"], "texts": heater_list.cells(row, asked.columns, today)}
        for row in leaf
    ]
    context = {
        "leaf": leaf,
        "lines": lines,
        "asked": asked,
        "headings": [_heading(request.GET, asked, column) for column in asked.columns],
        "properties": _choosable(asked.property_id),
        "kinds": Kind.choices,
        "services": heater_list.SERVICES.items(),
        "ages": heater_list.AGES,
        "chances": heater_list.CHANCES if run else (),
        "leaves": heater_list.LEAVES,
        "all_columns": [column for column in heater_list.COLUMNS if run or column.key != "chance"],
        "query": _kept_query(request.GET),
        "kept": KeptList.objects.filter(person=member.user, organisation=member.organisation),
    }
    return render(request, "pages/heaters.html", context)


def _asked(request: HttpRequest) -> tuple[heater_list.Asked, ForecastRun | None]:
    """What is asked for, and the forecast whose chances stand beside it."""
    asked = heater_list.Asked.read(request.GET)
    run = forecasts.latest_run(cast(MemberRequest, request).organisation.pk)
    return (asked if run else asked.without_chance()), run


def _choosable(chosen: int | None) -> list[Property]:
    """The properties to choose from. Where they are many nobody scrolls: the field for words finds them."""
    rows = listed()
    if rows is None:
        rows = list(Property.objects.filter(pk=chosen)) if chosen else []
    return rows


def _kept_query(query: QueryDict) -> str:
    """The filters, order and columns of a query string, without the leaf and what is empty."""
    kept = QueryDict(mutable=True)
    for key in query:
        values = [value for value in query.getlist(key) if value]
        if key not in NOT_KEPT and values:
            kept.setlist(key, values)
    return kept.urlencode()


def _heading(query: QueryDict, asked: heater_list.Asked, column: heater_list.Column) -> dict[str, Any]:
    """A column's heading: where it leads to put the list in its order, and how it stands now."""
    here = asked.order == column.key
    turned = query.copy()
    turned.pop("page", None)
    turned["order"] = f"-{column.key}" if here and not asked.descending else column.key
    return {
        "column": column,
        "address": f"?{turned.urlencode()}" if column.order else "",
        "stands": ("descending" if asked.descending else "ascending") if here else "",
    }


@page(Need.READ)
@require_GET
def heaters_file(request: HttpRequest) -> HttpResponseBase:
    """What the list shows, all leaves of it, as CSV."""
    member = cast(MemberRequest, request)
    today = today_of(member.organisation)
    asked, run = _asked(request)
    found = heater_list.rows(asked, run, today)
    lines = (heater_list.cells(row, asked.columns, today) for row in heater_list.values(found).iterator(2000))
    headings = [column.heading for column in asked.columns]
    return csv_answer(f"heaters-{today.isoformat()}.csv", headings, lines, before=BYTE_ORDER_MARK)


@page(Need.READ)
@require_POST
def keep_list(request: HttpRequest) -> HttpResponse:
    member = cast(MemberRequest, request)
    name, query = (
        request.POST.get("name", "").strip()[:80],
        _kept_query(QueryDict(request.POST.get("query", ""))),
    )
    if not name:
        messages.error(request, "Nothing was kept: give the list a name, such as Old gas heaters.")
    elif len(query) > 1000:
        messages.error(request, "Nothing was kept: too many filters at once.")
    else:
        KeptList.objects.update_or_create(
            organisation=member.organisation, person=member.user, name=name, defaults={"query": query}
        )
        messages.success(request, f"Kept as {name}.")
    return redirect(f"{reverse('pages:heaters')}?{query}")


@page(Need.READ)
@require_POST
def drop_list(request: HttpRequest, pk: int) -> HttpResponse:
    row: KeptList = get_object_or_404(KeptList.objects, pk=pk, person=cast(MemberRequest, request).user)
    row.delete()
    messages.success(
        request,
        f"{row.name} is no longer kept; no heater is touched. It stands below: keep it again if you want it.",
    )
    return redirect(f"{reverse('pages:heaters')}?{row.query}")
