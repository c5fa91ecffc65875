"""Properties, buildings and positions: from the whole to the place where a heater stands."""

from __future__ import annotations

import calendar
from typing import cast

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET

from fleet.estate.access import MemberRequest, Need, needs_at, page
from fleet.estate.calendar import day_of, today_of
from fleet.estate.models import Building, Position, Property
from fleet.estate.position_services import change_position
from fleet.heaters.models import ServiceRecord, WaterTest
from fleet.pages import fleet_ages, forecasts, place_map, selectors, timeline
from fleet.pages.form_errors import show_refusal
from fleet.pages.forms import PositionForm

PER_LEAF = 100


@page(Need.READ)
@require_GET
def properties(request: HttpRequest) -> HttpResponse:
    sought = request.GET.get("words", "")[:100]
    leaf = Paginator(selectors.properties(sought), PER_LEAF).get_page(request.GET.get("page"))
    context = {
        "leaf": leaf,
        "properties": selectors.counted(leaf.object_list),
        "sought": sought,
        "unsaid": selectors.without_records_since(cast(MemberRequest, request).organisation.pk),
    }
    return render(request, "pages/properties.html", context)


@page(Need.READ)
@require_GET
def portfolio_map(request: HttpRequest) -> HttpResponse:
    organisation = cast(MemberRequest, request).organisation
    today = day_of(organisation)
    run = forecasts.latest_run(organisation.pk)
    context = {"map": place_map.of_portfolio(run, today), "run": run, "today": today}
    return render(request, "pages/map.html", context)


@page(Need.READ)
@require_GET
def property_page(request: HttpRequest, pk: int) -> HttpResponse:
    property_: Property = get_object_or_404(Property.objects.select_related("organisation"), pk=pk)
    today = today_of(property_.organisation, property_)
    run = forecasts.latest_run(property_.organisation_id)
    watch = forecasts.outlooks(run, heater__position__building__property_id=pk)
    return render(
        request,
        "pages/property.html",
        {
            "property": property_,
            "needs": needs_at(request, property_),
            "property_key": str(pk),
            "fiscal_month": calendar.month_name[property_.fiscal_year_start_month],
            "today": today,
            "ages": fleet_ages.ages(today, pk),
            "buildings": selectors.buildings(pk),
            "water_tests": WaterTest.objects.filter(property_id=pk).select_related("building")[:20],
            "years": forecasts.years(run, "property", pk),
            "run": run,
            "currency": forecasts.currency(run),
            "watch": list(watch[:6]),
            "due": forecasts.due_summary(today, [pk]),
        },
    )


@page(Need.READ)
@require_GET
def building(request: HttpRequest, pk: int) -> HttpResponse:
    row = get_object_or_404(Building.objects.select_related("property__organisation"), pk=pk)
    today = today_of(row.property.organisation, row.property)
    serving = {
        found["position_id"]: selectors.shown_heater(found, today) for found in selectors.heaters_in(pk)
    }
    places = [
        (place, serving.get(place.pk)) for place in Position.objects.filter(building_id=pk).order_by("label")
    ]
    return render(
        request,
        "pages/building.html",
        {
            "building": row,
            "needs": needs_at(request, row.property),
            "today": today,
            "places": places,
            "due": forecasts.due_in(row, today),
        },
    )


@page(Need.READ)
@require_GET
def position(request: HttpRequest, pk: int) -> HttpResponse:
    place = get_object_or_404(Position.objects.select_related("building__property__organisation"), pk=pk)
    today = today_of(place.building.property.organisation, place.building.property)
    heaters = selectors.line_of(place)
    services = ServiceRecord.objects.filter(heater__position_id=pk)
    return render(
        request,
        "pages/position.html",
        {
            "position": place,
            "needs": needs_at(request, place.building.property),
            "facts": selectors.position_facts(place),
            "heaters": heaters,
            "serving": next((heater for heater in heaters if heater.in_service), None),
            "life": timeline.life(heaters, services, heaters[0].pk if heaters else 0, today),
            "today": today,
        },
    )


@page(Need.WORK)
def edit_position(request: HttpRequest, pk: int) -> HttpResponse:
    place = get_object_or_404(Position.objects.select_related("building__property"), pk=pk)
    form = PositionForm(request.POST or None, instance=place)
    if request.method == "POST" and form.is_valid():
        try:
            change_position(pk, form.values(), form.cleaned_data["reason"])
        except ValidationError as error:
            show_refusal(form, error)
        else:
            messages.success(request, "The position is saved.")
            return redirect("pages:position", pk)
    return render(
        request,
        "pages/edit.html",
        {
            "form": form,
            "heading": f"Change {place.building.property}, {place.building}, position {place}",
            "back": place,
            "back_name": "pages:position",
        },
        status=400 if form.errors else 200,
    )
