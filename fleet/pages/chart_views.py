"""The pictures as files of their own, so that pages keep a strict content policy. `?narrow=1` draws for a phone."""

from __future__ import annotations

from typing import cast

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_GET

from fleet.estate.access import MemberRequest, Need, page
from fleet.estate.calendar import day_of
from fleet.estate.models import Property
from fleet.estate.row_numbers import row_number
from fleet.heaters.models import Heater
from fleet.pages import charts, curves, fleet_ages, forecasts, place_map
from fleet.pages import survival as survivals
from fleet.planning.models import ForecastRun


def _picture(spec: charts.Spec) -> HttpResponse:
    response = HttpResponse(charts.svg(spec), content_type="image/svg+xml")
    response["X-Content-Type-Options"] = "nosniff"
    return response


def _narrow(request: HttpRequest) -> bool:
    return request.GET.get("narrow") == "1"


def _property_id(request: HttpRequest) -> int | None:
    asked = request.GET.get("property", "")
    if not asked:
        return None
    return int(get_object_or_404(Property.objects, pk=row_number(asked)).pk)


@page(Need.READ)
@require_GET
@cache_control(private=True, max_age=30)
def ages(request: HttpRequest) -> HttpResponse:
    today = day_of(cast(MemberRequest, request).organisation)
    found = fleet_ages.ages(today, _property_id(request))
    return _picture(charts.age_pyramid(found.picture, _narrow(request)))


@page(Need.READ)
@require_GET
@cache_control(private=True, max_age=30)
def money(request: HttpRequest) -> HttpResponse:
    run = forecasts.latest_run(cast(MemberRequest, request).organisation.pk)
    property_id = _property_id(request)
    years = forecasts.years(run) if property_id is None else forecasts.years(run, "property", property_id)
    if not years:
        raise Http404
    rows = [{"period": y.period, "expected": y.expected, "p10": y.p10, "p90": y.p90} for y in years]
    return _picture(charts.money_per_year(rows, forecasts.currency(run), _narrow(request)))


@page(Need.READ)
@require_GET
@cache_control(private=True, max_age=30)
def money_so_far(request: HttpRequest) -> HttpResponse:
    run = forecasts.latest_run(cast(MemberRequest, request).organisation.pk)
    rows = forecasts.so_far(run)
    if not rows:
        raise Http404
    return _picture(charts.money_fan(rows, forecasts.currency(run), _narrow(request)))


@page(Need.READ)
@require_GET
@cache_control(private=True, max_age=30)
def buildings_map(request: HttpRequest) -> HttpResponse:
    organisation = cast(MemberRequest, request).organisation
    found = place_map.of_portfolio(forecasts.latest_run(organisation.pk), day_of(organisation))
    if not found.spots:
        raise Http404
    narrow = _narrow(request)
    spots = [
        {
            "x": spot.x,
            "y": spot.y,
            "size": round(spot.expected_failures or 0.0, 2),
            "when": "overdue work" if spot.overdue else "nothing overdue",
        }
        for spot in found.drawn(narrow)
    ]
    return _picture(charts.place_map(spots, found.labels(narrow), found.finding, narrow))


@page(Need.READ)
@require_GET
@cache_control(private=True, max_age=30)
def queue(request: HttpRequest) -> HttpResponse:
    today = day_of(cast(MemberRequest, request).organisation)
    summary = forecasts.due_summary(today, most=12)
    if not summary.buildings:
        raise Http404
    rows = [
        {"building": place.name, "order": index, "when": when, "count": count}
        for index, place in enumerate(summary.buildings)
        for when, count in (("overdue", place.overdue), ("due", place.due))
    ]
    return _picture(charts.building_queue(rows, _narrow(request)))


def _heater_outlook(pk: int) -> tuple[Heater, ForecastRun | None, forecasts.Outlook | None]:
    heater: Heater = get_object_or_404(Heater.objects, pk=pk)
    run = forecasts.latest_run(heater.organisation_id)
    return heater, run, forecasts.outlook_of(run, pk)


@page(Need.READ)
@require_GET
@cache_control(private=True, max_age=30)
def outlook(request: HttpRequest, pk: int) -> HttpResponse:
    _, _, found = _heater_outlook(pk)
    if found is None:
        raise Http404
    return _picture(curves.outlook_curve(forecasts.curve(found), _narrow(request)))


@page(Need.READ)
@require_GET
@cache_control(private=True, max_age=30)
def survival(request: HttpRequest, pk: int) -> HttpResponse:
    heater, run, outlook = _heater_outlook(pk)
    found = survivals.of_heater(run, outlook, heater.kind)
    if found is None:
        raise Http404
    words = heater.get_kind_display()
    spec = curves.heater_survival(found.kind, found.own, found.age, found.reached, words, _narrow(request))
    return _picture(spec)
