"""Places and their water entered and corrected by hand: properties, buildings, positions, water tests, services."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from fleet.estate import place_services
from fleet.estate.access import MemberRequest, Need, page
from fleet.estate.calendar import today_of
from fleet.estate.models import Building, Position, Property
from fleet.heaters import care_record_services
from fleet.heaters.models import Heater, ServiceRecord, WaterTest
from fleet.pages import selectors
from fleet.pages.form_errors import show_refusal
from fleet.pages.forms import PositionForm
from fleet.pages.place_forms import BuildingForm, PropertyForm, RecordsSinceForm, ServiceForm, WaterTestForm


def _entered(
    request: HttpRequest,
    form: Any,
    save: Callable[[dict[str, Any], str], HttpResponse],
    heading: str,
    back: str,
) -> HttpResponse:
    """The form until the verb takes it, with what was typed kept; then on to what was saved."""
    if request.method == "POST" and form.is_valid():
        try:
            answer = save(form.values(), form.cleaned_data["reason"])
        except ValidationError as error:
            show_refusal(form, error)
        else:
            messages.success(request, "Saved.")
            return answer
    context = {"form": form, "heading": heading, "back_address": back}
    return render(request, "pages/edit.html", context, status=400 if form.errors else 200)


@page(Need.PLAN)
def add_property(request: HttpRequest) -> HttpResponse:
    organisation = cast(MemberRequest, request).organisation

    def save(values: dict[str, Any], reason: str) -> HttpResponse:
        row = place_services.add_property(organisation, values, reason)
        return redirect("pages:property", row.pk)

    form = PropertyForm(request.POST or None, initial=selectors.usual_of_properties(organisation.pk))
    return _entered(request, form, save, "A new property", reverse("pages:properties"))


@page(Need.PLAN)
def say_records_since(request: HttpRequest) -> HttpResponse:
    organisation = cast(MemberRequest, request).organisation

    def save(values: dict[str, Any], reason: str) -> HttpResponse:
        place_services.say_records_since(organisation, values["records_since"], reason)
        return redirect("pages:properties")

    form = RecordsSinceForm(request.POST or None, count=selectors.without_records_since(organisation.pk))
    heading = "Since when every ending is written down"
    return _entered(request, form, save, heading, reverse("pages:properties"))


@page(Need.PLAN)
def edit_property(request: HttpRequest, pk: int) -> HttpResponse:
    row: Property = get_object_or_404(Property.objects, pk=pk)
    back = reverse("pages:property", args=[pk])

    def save(values: dict[str, Any], reason: str) -> HttpResponse:
        place_services.change_property(pk, values, reason)
        return redirect(back)

    return _entered(request, PropertyForm(request.POST or None, instance=row), save, f"Change {row}", back)


@page(Need.PLAN)
def add_building(request: HttpRequest, pk: int) -> HttpResponse:
    row: Property = get_object_or_404(Property.objects, pk=pk)

    def save(values: dict[str, Any], reason: str) -> HttpResponse:
        return redirect("pages:building", place_services.add_building(row, values, reason).pk)

    form = BuildingForm(request.POST or None)
    return _entered(request, form, save, f"A new building of {row}", reverse("pages:property", args=[pk]))


@page(Need.PLAN)
def edit_building(request: HttpRequest, pk: int) -> HttpResponse:
    row: Building = get_object_or_404(Building.objects.select_related("property"), pk=pk)
    back = reverse("pages:building", args=[pk])

    def save(values: dict[str, Any], reason: str) -> HttpResponse:
        place_services.change_building(pk, values, reason)
        return redirect(back)

    return _entered(
        request,
        BuildingForm(request.POST or None, instance=row),
        save,
        f"Change {row.property}, building {row}",
        back,
    )


@page(Need.WORK)
def add_position(request: HttpRequest, pk: int) -> HttpResponse:
    row = get_object_or_404(Building.objects.select_related("property"), pk=pk)

    def save(values: dict[str, Any], reason: str) -> HttpResponse:
        return redirect("pages:position", place_services.add_position(row, values, reason).pk)

    form = PositionForm(request.POST or None, instance=Position())
    return _entered(
        request, form, save, f"A new position in {row.property}, {row}", reverse("pages:building", args=[pk])
    )


@page(Need.WORK)
def add_water_test(request: HttpRequest, pk: int) -> HttpResponse:
    row = get_object_or_404(Property.objects.select_related("organisation"), pk=pk)
    back = reverse("pages:property", args=[pk])

    def save(values: dict[str, Any], reason: str) -> HttpResponse:
        care_record_services.add_water_test(row, None, values, reason)
        return redirect(back)

    form = WaterTestForm(request.POST or None, as_of=today_of(row.organisation, row))
    return _entered(request, form, save, f"A water test at {row}", back)


@page(Need.PLAN)
def edit_water_test(request: HttpRequest, pk: int) -> HttpResponse:
    row = get_object_or_404(WaterTest.objects.select_related("property__organisation", "building"), pk=pk)
    back = reverse("pages:property", args=[row.property_id])

    def save(values: dict[str, Any], reason: str) -> HttpResponse:
        care_record_services.change_water_test(pk, values, reason)
        return redirect(back)

    at = f"{row.property}, {row.building}" if row.building else str(row.property)
    as_of = today_of(row.property.organisation, row.property)
    form = WaterTestForm(request.POST or None, instance=row, as_of=as_of)
    return _entered(request, form, save, f"Correct the water test at {at}", back)


@page(Need.WORK)
def add_service(request: HttpRequest, pk: int) -> HttpResponse:
    row = get_object_or_404(
        Heater.objects.select_related("position__building__property", "organisation"), pk=pk
    )
    back = reverse("pages:heater", args=[pk])

    def save(values: dict[str, Any], reason: str) -> HttpResponse:
        care_record_services.add_service(row, values, reason)
        return redirect(back)

    form = ServiceForm(request.POST or None, as_of=today_of(row.organisation, row.position.building.property))
    return _entered(request, form, save, f"Past work on {row}", back)


@page(Need.PLAN)
def edit_service(request: HttpRequest, pk: int) -> HttpResponse:
    rows = ServiceRecord.objects.select_related(
        "heater__position__building__property", "heater__organisation"
    )
    row = get_object_or_404(rows, pk=pk)
    back = reverse("pages:heater", args=[row.heater_id])

    def save(values: dict[str, Any], reason: str) -> HttpResponse:
        care_record_services.change_service(pk, values, reason)
        return redirect(back)

    as_of = today_of(row.heater.organisation, row.heater.position.building.property)
    form = ServiceForm(request.POST or None, instance=row, as_of=as_of)
    return _entered(request, form, save, f"Correct past work on {row.heater}", back)
