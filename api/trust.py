"""How far to trust the forecast: checks against what happened, and what is believed before the record speaks."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.urls import path
from rest_framework import serializers

from api.door import ApiView
from api.estate import within
from api.operations import operation
from api.rows import Rows
from api.shapes import Given, Shown, StrictChoice, StrictNumber, StrictText, number
from api.usual import Verb, act, single
from fleet.estate.access import Need
from fleet.planning import priors, trust
from fleet.planning.models import TrustCheck


class CheckShown(Shown):
    run_id = number(nullable=True)
    job_id = number(nullable=True)

    class Meta:
        model = TrustCheck
        fields = (
            "id",
            "run_id",
            "as_of",
            "state",
            "error",
            "engine_version",
            "result",
            "job_id",
            "created_at",
            "finished_at",
        )


CHECKS = Rows(
    "TrustCheck",
    CheckShown,
    lambda: TrustCheck.objects.all(),
    {"run_id": within("run_id", "Of this forecast.")},
    newest_first=True,
)


class ChecksView(ApiView):
    @operation(
        Need.READ, "Forecasts held against what happened, the newest first.", lists=CHECKS, tag="trust"
    )
    def get(self, request: Any) -> HttpResponse:
        return self.page(CHECKS)

    @operation(
        Need.PLAN, "Hold the plan in use against the past years.", gives=CheckShown, status=202, tag="trust"
    )
    def post(self, request: Any) -> HttpResponse:
        check = trust.request_check(self.caller.organisation)
        return self.asked_for(CHECKS.one(check.pk), request.path)


class PriorShown(serializers.Serializer):
    table = serializers.CharField()
    row_id = serializers.CharField()
    name = serializers.CharField()
    quantity = serializers.CharField()
    definition = serializers.CharField()
    value = serializers.FloatField()
    spread = serializers.FloatField(allow_null=True)
    unit = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]
    status = serializers.CharField()
    note = serializers.CharField()
    shipped_value = serializers.FloatField()
    shipped_spread = serializers.FloatField(allow_null=True)


class Priors(serializers.Serializer):
    items = PriorShown(many=True)
    next = serializers.CharField(allow_null=True)


class PriorGiven(Given):
    table = StrictChoice(choices=["lifetimes", "effects"])
    row_id = StrictText(max_length=80)
    value = StrictNumber()
    spread = StrictNumber(required=False, allow_null=True)
    reason = StrictText(max_length=500, help_text="And where the new figure comes from")


def _priors(view: ApiView) -> dict[str, Any]:
    return {"items": [row.__dict__ for row in priors.shown(view.caller.organisation.pk)], "next": None}


class PriorsView(ApiView):
    @operation(
        Need.READ,
        "What is believed before the record speaks, each with its source.",
        gives=Priors,
        tag="trust",
    )
    def get(self, request: Any) -> HttpResponse:
        return self.answer(_priors(self))

    @operation(
        Need.PLAN, "Put a figure in place of the shipped one.", takes=PriorGiven, gives=Priors, tag="trust"
    )
    def post(self, request: Any) -> HttpResponse:
        given = self.given
        priors.enter(
            self.caller.organisation,
            given["table"],
            given["row_id"],
            given["value"],
            given.get("spread"),
            given["reason"],
        )
        return self.answer(_priors(self))


class PriorReturned(Given):
    table = StrictChoice(choices=["lifetimes", "effects"])
    row_id = StrictText(max_length=80)
    reason = StrictText(max_length=500)


class PriorReturnView(ApiView):
    @operation(
        Need.PLAN, "Let the shipped figure speak again.", takes=PriorReturned, gives=Priors, tag="trust"
    )
    def post(self, request: Any) -> HttpResponse:
        given = self.given
        priors.return_to_shipped(self.caller.organisation, given["table"], given["row_id"], given["reason"])
        return self.answer(_priors(self))


def _cancel(view: ApiView, row: TrustCheck) -> None:
    trust.cancel_check(row)


urlpatterns = [
    path("trust-checks", ChecksView.as_view(), name="checks"),
    path("trust-checks/<number:pk>", single(CHECKS, "One check of a forecast", "trust"), name="checks_one"),
    path(
        "trust-checks/<number:pk>/cancel",
        act(
            CHECKS,
            "trust",
            Verb(Need.PLAN, "Call it off: at once while it waits, at its next step else.", _cancel),
        ),
        name="checks_cancel",
    ),
    path("priors", PriorsView.as_view(), name="priors"),
    path("priors/return", PriorReturnView.as_view(), name="priors_return"),
]
