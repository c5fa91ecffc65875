"""Who asks, organisations, properties, buildings, positions."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpResponse
from django.urls import path
from rest_framework import serializers

from api.door import ApiView
from api.operations import operation
from api.problems import Problem
from api.resources import Resource, routes
from api.rows import Filter, Rows
from api.rows import number as number_field
from api.shapes import FromModel, Known, Shown, StrictText, number, text
from fleet.estate import place_services
from fleet.estate.access import Need
from fleet.estate.calendar import today_of
from fleet.estate.models import Building, Position, Property
from fleet.estate.position_services import change_position

NAME = Filter("name", serializers.CharField(max_length=200), "Exactly this name.")


def within(lookup: str, says: str) -> Filter:
    return Filter(lookup, number_field(), says)


def property_asked(view: ApiView) -> Property | None:
    """The property that the question names, where it names one."""
    if "property_id" not in view.asked:
        return None
    found: Property | None = Property.objects.filter(pk=view.asked["property_id"]).first()
    if found is None:
        raise Http404
    return found


class PropertyShown(Shown):
    class Meta:
        model = Property
        fields = ("id", "name", "address", "time_zone", "fiscal_year_start_month", "currency", "code_family",
                  "records_since", "emergency_contact")  # fmt: skip


class PropertyGiven(FromModel):
    reason = StrictText(required=False, max_length=500, allow_blank=True, help_text="Kept in the history")

    class Meta:
        model = Property
        fields = (*PropertyShown.Meta.fields[1:], "reason")


PROPERTIES = Rows("Property", PropertyShown, lambda: Property.objects.all(), {"name": NAME})


def _reason(given: dict[str, Any]) -> str:
    return str(given.pop("reason", ""))


def _add_property(view: ApiView, given: dict[str, Any]) -> Property:
    """A new property is in nobody's sight who sees only some of them."""
    if not view.caller.sees_all_properties:
        raise Problem("not-allowed", "Only who sees all properties enters a new one.")
    reason = _reason(given)
    return place_services.add_property(view.caller.organisation, given, reason)


class BuildingShown(Shown):
    property_id = number()
    property_name = text("property.name")

    class Meta:
        model = Building
        fields = (
            "id",
            "property_id",
            "property_name",
            "name",
            "year_built",
            "units_served",
            "softened_since",
        )


class BuildingChanged(FromModel):
    reason = StrictText(required=False, max_length=500, allow_blank=True, help_text="Kept in the history")

    class Meta:
        model = Building
        fields: tuple[str, ...] = ("name", "year_built", "units_served", "softened_since", "reason")


class BuildingGiven(BuildingChanged):
    property_id = Known(Property)

    class Meta(BuildingChanged.Meta):
        fields = ("property_id", *BuildingChanged.Meta.fields)


BUILDINGS = Rows(
    "Building",
    BuildingShown,
    lambda: Building.objects.all(),
    {"property_id": within("property_id", "Of this property."), "name": NAME},
)


def _add_building(view: ApiView, given: dict[str, Any]) -> Building:
    reason = _reason(given)
    return place_services.add_building(given.pop("property_id"), given, reason)


POSITION_FACTS = tuple(
    field.name for field in Position._meta.concrete_fields if field.name in place_services.fields_of(Position)
)


class PositionShown(Shown):
    building_id = number()
    building_name = text("building.name")
    property_id = number("building.property_id")
    property_name = text("building.property.name")

    class Meta:
        model = Position
        fields = ("id", "property_id", "property_name", "building_id", "building_name", *POSITION_FACTS)


class PositionChanged(FromModel):
    reason = StrictText(required=False, max_length=500, allow_blank=True, help_text="Kept in the history")

    class Meta:
        model = Position
        fields: tuple[str, ...] = (*POSITION_FACTS, "reason")


class PositionGiven(PositionChanged):
    building_id = Known(Building)

    class Meta(PositionChanged.Meta):
        fields = ("building_id", *PositionChanged.Meta.fields)


POSITIONS = Rows(
    "Position",
    PositionShown,
    lambda: Position.objects.all(),
    {
        "property_id": within("building__property_id", "At this property."),
        "building_id": within("building_id", "In this building."),
        "label": Filter("label", serializers.CharField(max_length=200), "Exactly this label."),
    },
)


def _add_position(view: ApiView, given: dict[str, Any]) -> Position:
    reason = _reason(given)
    return place_services.add_position(given.pop("building_id"), given, reason)


class OrganisationShown(serializers.Serializer):
    id = serializers.IntegerField()
    name = serializers.CharField()
    kind = serializers.ChoiceField(choices=["owner", "company"])
    invented = serializers.BooleanField(help_text="Demonstration data, made up")


class Me(serializers.Serializer):
    organisation = OrganisationShown()
    person_id = serializers.IntegerField(allow_null=True)
    role = serializers.CharField(allow_null=True)
    may = serializers.ListField(child=serializers.CharField())
    property_ids = serializers.ListField(
        child=serializers.IntegerField(),
        allow_null=True,
        help_text="null: all properties of the organisation",
    )
    today = serializers.DateField(
        help_text="Of the organisation's calendar; a property's time zone may be ahead"
    )


def _organisation(view: ApiView) -> dict[str, Any]:
    found = view.caller.organisation
    return {"id": found.pk, "name": found.name, "kind": found.kind, "invented": found.invented}


class MeView(ApiView):
    @operation(Need.READ, "Who asks, and what she may.", gives=Me, tag="me")
    def get(self, request: Any) -> HttpResponse:
        caller = self.caller
        own = [reach for reach in caller.scope.reaches if reach.organisation_id == caller.organisation.pk]
        seen = None if caller.sees_all_properties else sorted({n for r in own for n in r.property_ids or ()})
        return self.answer(
            {
                "organisation": _organisation(self),
                "person_id": caller.scope.person_id,
                "role": caller.membership.role if caller.membership else None,
                "may": [need.value for need in Need if need in caller.needs],
                "property_ids": seen,
                "today": today_of(caller.organisation),
            }
        )


class Organisations(serializers.Serializer):
    items = OrganisationShown(many=True)
    next = serializers.CharField(allow_null=True)


class OrganisationsView(ApiView):
    @operation(Need.READ, "The organisation that this token was made in.", gives=Organisations, tag="me")
    def get(self, request: Any) -> HttpResponse:
        return self.answer({"items": [_organisation(self)], "next": None})


def _with_reason(verb: Any) -> Any:
    def change(row: Any, given: dict[str, Any]) -> Any:
        reason = _reason(given)
        return verb(row.pk, given, reason)

    return change


urlpatterns = [
    path("me", MeView.as_view(), name="me"),
    path("organisations", OrganisationsView.as_view(), name="organisations"),
    *routes(
        Resource(
            PROPERTIES, "properties", "a property", "properties", Need.PLAN, PropertyGiven, PropertyGiven,
            _add_property, _with_reason(place_services.change_property),
        )
    ),
    *routes(
        Resource(
            BUILDINGS, "buildings", "a building", "buildings", Need.PLAN, BuildingGiven, BuildingChanged,
            _add_building, _with_reason(place_services.change_building),
        )
    ),
    *routes(
        Resource(
            POSITIONS, "positions", "a position", "positions", Need.WORK, PositionGiven, PositionChanged,
            _add_position, _with_reason(change_position),
        )
    ),
]  # fmt: skip
