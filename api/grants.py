"""Which companies may see which properties: the owner's side."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.urls import path
from rest_framework import serializers

from api.care_shapes import Reasoned
from api.door import ApiView
from api.operations import operation
from api.rows import Filter, Gathered, Rows
from api.shapes import Given, Known, Shown, StrictChoice, StrictDay, StrictText, text
from api.usual import Verb, act, single
from fleet.estate.access import Need
from fleet.estate.grant_rows import AccessGrant
from fleet.estate.grants import grant_access, revoke_access
from fleet.estate.models import Property


class GrantShown(Shown):
    company_name = text("company.name")
    property_ids = serializers.ListField(child=serializers.IntegerField(), read_only=True)

    class Meta:
        model = AccessGrant
        fields = (
            "id",
            "company_name",
            "property_ids",
            "level",
            "until",
            "granted_at",
            "granted_by",
            "revoked_at",
            "revoked_by",
            "reason",
        )


def _granted_places(numbers: list[int]) -> dict[int, list[int]]:
    found: dict[int, list[int]] = {}
    rows = AccessGrant.properties.through._default_manager.filter(accessgrant_id__in=numbers)
    for grant, place in rows.order_by("property_id").values_list("accessgrant_id", "property_id"):
        found.setdefault(grant, []).append(place)
    return found


GRANTED = Rows(
    "AccessGrant",
    GrantShown,
    lambda: AccessGrant.objects.all(),
    {"in_force": Filter("revoked_at__isnull", serializers.BooleanField(), "Not revoked, or revoked.")},
    {"property_ids": Gathered(_granted_places)},
)
LEVELS = {"survey": 1, "work": 2, "outlook": 3}


class GrantGiven(Given):
    code = StrictText(max_length=16, help_text="The company's code, which it gives away")
    property_ids = serializers.ListField(child=Known(Property), min_length=1, max_length=1000)
    level = StrictChoice(choices=list(LEVELS))
    until = StrictDay(required=False, allow_null=True, help_text="Its last day; a survey needs one")


class GrantsView(ApiView):
    @operation(Need.ADMIN, "Which companies may see which properties.", lists=GRANTED, tag="grants")
    def get(self, request: Any) -> HttpResponse:
        return self.page(GRANTED)

    @operation(
        Need.ADMIN,
        "Open properties to a company.",
        takes=GrantGiven,
        gives=GrantShown,
        status=201,
        tag="grants",
    )
    def post(self, request: Any) -> HttpResponse:
        given = self.given
        numbers = [place.pk for place in given["property_ids"]]
        grant = grant_access(
            self.caller.organisation, given["code"], numbers, LEVELS[given["level"]], given.get("until")
        )
        return self.made(GRANTED, grant.pk, request.path)


def _revoke(view: ApiView, row: AccessGrant) -> None:
    revoke_access(row, view.given["reason"])


urlpatterns = [
    path("grants", GrantsView.as_view(), name="grants"),
    path("grants/<number:pk>", single(GRANTED, "One grant", "grants", Need.ADMIN), name="grants_one"),
    path(
        "grants/<number:pk>/revoke",
        act(GRANTED, "grants", Verb(Need.ADMIN, "Close it at once.", _revoke, Reasoned)),
        name="grants_revoke",
    ),
]
