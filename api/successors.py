"""What goes in next: the rules of the house, the federal rules, and the choices at one heater."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpResponse
from django.urls import path
from rest_framework import serializers

from api.door import ApiView
from api.estate import within
from api.operations import operation
from api.rows import Row, Rows
from api.shapes import Given, Known, Money, Shown, StrictChoice, StrictDay, StrictText, number
from api.usual import Doors, one_of
from fleet.estate.access import Need
from fleet.estate.calendar import today_of
from fleet.estate.models import Property
from fleet.heaters.models import Heater, Kind
from fleet.planning import next_unit, successors
from fleet.planning.cost_book import cost_book_shown, require_whole_organisation
from fleet.planning.efficiency import efficiency_rules
from fleet.planning.models import SuccessorRule


class SuccessorShown(Shown):
    property_id = number(nullable=True)

    class Meta:
        model = SuccessorRule
        fields = ("id", "property_id", "from_kind", "to_kind", "starts_on", "why")


SUCCESSORS = Rows(
    "SuccessorRule",
    SuccessorShown,
    lambda: SuccessorRule.objects.all(),
    {"property_id": within("property_id", "Of this property.")},
)


class SuccessorGiven(Given):
    from_kind = StrictChoice(choices=Kind.choices)
    to_kind = StrictChoice(choices=Kind.choices, help_text="The same kind ends an earlier rule")
    starts_on = StrictDay()
    property_id = Known(Property, required=False, allow_null=True, help_text="null: everywhere")
    why = StrictText(required=False, allow_blank=True, max_length=300)


class SuccessorsView(ApiView):
    @operation(
        Need.READ, "Which kind goes in next, by date and place.", lists=SUCCESSORS, tag="successor-rules"
    )
    def get(self, request: Any) -> HttpResponse:
        return self.page(SUCCESSORS)

    @operation(
        Need.PLAN, "Write a rule; one of the same kind, place and day is replaced.", takes=SuccessorGiven,
        gives=SuccessorShown, status=201, tag="successor-rules",
    )  # fmt: skip
    def post(self, request: Any) -> HttpResponse:
        given = self.given
        place = given.get("property_id")
        rule = successors.save_successor_rule(
            self.caller.organisation,
            given["from_kind"],
            given["to_kind"],
            given["starts_on"],
            place.pk if place else None,
            given.get("why", ""),
        )
        return self.made(SUCCESSORS, rule.pk, request.path)


class FederalRule(serializers.Serializer):
    key = serializers.CharField()
    from_day = serializers.DateField()
    kinds = serializers.ListField(child=serializers.CharField())
    from_gal = serializers.FloatField()
    to_gal = serializers.FloatField(allow_null=True)
    says = serializers.CharField()
    citation = serializers.CharField()
    status = serializers.CharField(help_text="Legal status, on the day it was checked")
    checked_on = serializers.DateField()
    source_mark = serializers.CharField()


class FederalRules(serializers.Serializer):
    items = FederalRule(many=True)
    next = serializers.CharField(allow_null=True)


class FederalRulesView(ApiView):
    @operation(
        Need.READ, "Federal efficiency rules as data, each with its citation and the day its status was checked.",
        gives=FederalRules, tag="successor-rules",
    )  # fmt: skip
    def get(self, request: Any) -> HttpResponse:
        return self.answer({"items": [vars(rule) for rule in efficiency_rules()], "next": None})


class FitShown(serializers.Serializer):
    fits = serializers.BooleanField(allow_null=True, help_text="null: the record does not say")
    words = serializers.ListField(child=serializers.CharField())


class NextUnitShown(serializers.Serializer):
    kind = serializers.CharField()
    like_for_like = serializers.BooleanField()
    by_rule = serializers.BooleanField()
    planned_cost = Money(allow_null=True)
    emergency_cost = Money(allow_null=True)
    price_parts = serializers.JSONField(help_text="What the price is made of; null where there is no price")
    fit = FitShown()
    energy_amount = serializers.CharField(allow_null=True, help_text="A year")
    energy_money = Money(allow_null=True)
    saved_a_year = Money(allow_null=True, help_text="Energy money against like for like")
    cautions = serializers.ListField(child=serializers.CharField())
    rules = serializers.ListField(child=serializers.CharField())


class NextUnits(serializers.Serializer):
    heater_id = serializers.IntegerField()
    currency = serializers.CharField()
    energy_note = serializers.CharField()
    items = NextUnitShown(many=True)
    next = serializers.CharField(allow_null=True)


def _unit_row(unit: next_unit.NextUnit) -> Row:
    quote = unit.quote
    return {
        "kind": unit.kind,
        "like_for_like": unit.like_for_like,
        "by_rule": unit.by_rule,
        "planned_cost": quote.planned if quote else None,
        "emergency_cost": quote.emergency if quote else None,
        "price_parts": [vars(part) for part in quote.parts] if quote else None,
        "fit": vars(unit.fit),
        "energy_amount": unit.energy.amount if unit.energy else None,
        "energy_money": unit.energy.money if unit.energy else None,
        "saved_a_year": unit.saved_a_year,
        "cautions": unit.cautions,
        "rules": [rule.words for rule in unit.rules],
    }


class NextUnitsView(ApiView):
    @operation(
        Need.READ, "What could go in next at a heater's place: price, room, energy, cautions, rules.", gives=NextUnits,
        tag="successor-rules",
    )  # fmt: skip
    def get(self, request: Any, pk: int) -> HttpResponse:
        organisation = self.caller.organisation
        require_whole_organisation(organisation.pk)
        rows = Heater.objects.select_related("position__building__property").filter(ending="")
        heater = rows.filter(pk=pk).first()
        if heater is None or heater.organisation_id != organisation.pk:
            raise Http404
        book = cost_book_shown(organisation)
        today = today_of(organisation, heater.position.building.property)
        return self.answer(
            {
                "heater_id": heater.pk,
                "currency": book.currency,
                "energy_note": next_unit.energy_note(heater),
                "items": [_unit_row(unit) for unit in next_unit.next_units(heater, book, today)],
                "next": None,
            }
        )


RULE = Doors(
    SUCCESSORS, "a rule of what goes in next", "successor-rules", Need.PLAN,
    remove=lambda view, row: successors.remove_successor_rule(row),
)  # fmt: skip
urlpatterns = [
    path("successor-rules", SuccessorsView.as_view(), name="successors"),
    path("successor-rules/<number:pk>", one_of(RULE), name="successors_one"),
    path("efficiency-rules", FederalRulesView.as_view(), name="efficiency_rules"),
    path("heaters/<number:pk>/next-units", NextUnitsView.as_view(), name="heaters_next"),
]
