"""Capital plans under a cap: asked for, compared, taken away as files, looked back at, reported to the owners."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpResponse
from django.urls import path
from rest_framework import serializers

from api.door import ApiView
from api.operations import Asked, operation
from api.planning_shapes import CAPITAL_LINES, CAPITALS, CapitalGiven, CapitalShown, capital_lines
from api.problems import Problem
from api.usual import CSV, XLSX, Verb, act, as_file, single
from fleet.estate.access import Need
from fleet.planning import capital, capital_files, capital_words, making, selectors
from fleet.planning.capital_rows import CapitalPlan


class CapitalsView(ApiView):
    @operation(Need.READ, "Capital plans, the newest first.", lists=CAPITALS, tag="capital-plans")
    def get(self, request: Any) -> HttpResponse:
        return self.page(CAPITALS)

    @operation(
        Need.PLAN, "Ask which heaters to replace in which fiscal year under a yearly cap.", takes=CapitalGiven,
        gives=CapitalShown, status=202, tag="capital-plans",
    )  # fmt: skip
    def post(self, request: Any) -> HttpResponse:
        given = dict(self.given)
        run = given.pop("run_id", None) or selectors.latest_run(self.caller.organisation.pk)
        if run is None:
            raise Problem("not-now", "A capital plan needs a finished forecast; make the forecast first.")
        for name in ("must", "must_not"):
            given[name] = [heater.pk for heater in given.get(name, [])]
        caps = given.pop("property_caps", [])
        given["property_caps"] = {one["property_id"].pk: one["cap"] for one in caps}
        plan = capital.request_capital_plan(self.caller.organisation, run, **given)
        return self.asked_for(CAPITALS.one(plan.pk), f"/api/v1/capital-plans/{plan.pk}")


class CapitalLinesView(ApiView):
    @operation(
        Need.READ,
        "One line a heater: in which year, why, what it saves.",
        lists=CAPITAL_LINES,
        tag="capital-plans",
    )
    def get(self, request: Any, pk: int) -> HttpResponse:
        plan = CapitalPlan.objects.filter(pk=pk).first()
        if plan is None:
            raise Http404
        return self.page(capital_lines(plan))


def done_plan(pk: int) -> CapitalPlan:
    found: CapitalPlan | None = (
        CapitalPlan.objects.select_related("run", "organisation").filter(pk=pk).first()
    )
    if found is None:
        raise Http404
    if found.state != CapitalPlan.State.DONE or not found.result:
        raise Problem("not-now", f"This plan is {found.get_state_display()} and has no figures.")
    return found


class Ways(serializers.Serializer):
    currency = serializers.CharField()
    items = serializers.JSONField(
        help_text="One entry a way: cost and its spread, emergencies, homes, contribution"
    )
    pair = serializers.JSONField(
        allow_null=True, help_text="What the first costs more than the second, where asked"
    )
    best_ages = serializers.ListField(child=serializers.CharField())
    reserve = serializers.ListField(child=serializers.CharField())
    notes = serializers.ListField(child=serializers.CharField())
    next = serializers.CharField(allow_null=True)


WAY = Asked(serializers.CharField(max_length=40), "Name of a way, to be held against the other.")


def _call_off(view: ApiView, row: CapitalPlan) -> None:
    making.call_off(row)


class WaysView(ApiView):
    @operation(
        Need.READ, "The ways compared on the same draws, and what the reserve must receive.", gives=Ways,
        asks={"first": WAY, "second": WAY}, tag="capital-plans",
    )  # fmt: skip
    def get(self, request: Any, pk: int) -> HttpResponse:
        plan = done_plan(pk)
        pair = None
        if "first" in self.asked or "second" in self.asked:
            pair = capital_words.compared(plan, self.asked.get("first", ""), self.asked.get("second", ""))
            if pair is None:
                raise Http404
        return self.answer(
            {
                "currency": capital_words.currency_of(plan),
                "items": capital_words.scenarios(plan),
                "pair": pair,
                "best_ages": capital_words.best_age_lines(plan),
                "reserve": capital_words.reserve_lines(plan),
                "notes": capital_words.notes(plan),
                "next": None,
            }
        )


class CapitalFileView(ApiView):
    @operation(
        Need.READ, "A capital plan as csv or xlsx.", file="application/octet-stream", tag="capital-plans"
    )
    def get(self, request: Any, pk: int, file_format: str) -> HttpResponse:
        plan = done_plan(pk)
        name = f"capital-plan-{plan.run.as_of}.{file_format}"
        if file_format == "xlsx":
            return as_file(capital_files.workbook(plan), name, XLSX)
        if file_format == "csv":
            return as_file(capital_files.csv_text(plan), name, CSV)
        raise Http404


urlpatterns = [
    path("capital-plans", CapitalsView.as_view(), name="capitals"),
    path(
        "capital-plans/<number:pk>",
        single(CAPITALS, "One capital plan", "capital-plans"),
        name="capitals_one",
    ),
    path(
        "capital-plans/<number:pk>/cancel",
        act(CAPITALS, "capital-plans", Verb(Need.PLAN, "Call a capital plan off.", _call_off)),
        name="capitals_cancel",
    ),
    path("capital-plans/<number:pk>/lines", CapitalLinesView.as_view(), name="capitals_lines"),
    path("capital-plans/<number:pk>/ways", WaysView.as_view(), name="capitals_ways"),
    path("capital-plans/<number:pk>/plan.<str:file_format>", CapitalFileView.as_view(), name="capitals_file"),
]
