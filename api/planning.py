"""Forecasts, the plan, prices, capital plans. Long work is asked for and answered with 202 and its job."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpResponse
from django.urls import path
from rest_framework import serializers

from api.care import single
from api.door import ApiView
from api.operations import Asked, operation
from api.planning_shapes import (
    CAPITAL_LINES,
    CAPITALS,
    GROUPINGS,
    OUTLOOKS,
    RUNS,
    CapitalGiven,
    CapitalShown,
    CostBookGiven,
    CostBookShown,
    CostItemShown,
    CostLineShown,
    PlanShown,
    RunGiven,
    RunShown,
    capital_lines,
    group_row,
)
from api.problems import Problem
from api.rows import Row
from api.shapes import names_of
from fleet.estate.access import Need
from fleet.planning import capital, explained, selectors, services
from fleet.planning.capital_rows import CapitalPlan
from fleet.planning.cost_items import ItemEntry
from fleet.planning.models import CostBook, ForecastRun

BY = Asked(serializers.ChoiceField(choices=GROUPINGS), "portfolio, if not said.")


def _run(pk: int) -> ForecastRun:
    found: ForecastRun | None = ForecastRun.objects.select_related("job").filter(pk=pk).first()
    if found is None:
        raise Http404
    return found


class RunsView(ApiView):
    @operation(Need.READ, "Forecasts, the newest first.", lists=RUNS, tag="forecasts")
    def get(self, request: Any) -> HttpResponse:
        return self.page(RUNS)

    @operation(
        Need.PLAN, "Ask for a forecast. While one with the same wishes is open, that one is given.", takes=RunGiven,
        gives=RunShown, status=202, tag="forecasts",
    )  # fmt: skip
    def post(self, request: Any) -> HttpResponse:
        run = services.request_run(self.caller.organisation, **self.given)
        return self.asked_for(RUNS.one(run.pk), f"/api/v1/forecast-runs/{run.pk}")


class CancelRunView(ApiView):
    @operation(Need.PLAN, "Call a forecast off.", gives=RunShown, tag="forecasts")
    def post(self, request: Any, pk: int) -> HttpResponse:
        services.cancel_run(_run(pk))
        return self.answer(RUNS.one(pk))


def _plan(run: ForecastRun, grouping: str) -> Row:
    if not run.result:
        raise Problem("not-now", f"This forecast is {run.get_state_display()} and has no plan.")
    tables = selectors.plan_tables(run)
    if grouping == "portfolio":
        groups = [tables.total]
    else:
        groups = tables.own_years if grouping == "property_own_years" else tables.by(grouping)
    return {
        "run_id": run.pk,
        "as_of": run.as_of,
        "currency": tables.currency,
        "grouping": grouping,
        "groups": [group_row(table) for table in groups],
        "how_sure": explained.how_sure(run),
        "assumptions": explained.assumptions(run),
    }


class RunPlanView(ApiView):
    @operation(
        Need.READ,
        "A forecast's plan by fiscal year.",
        gives=PlanShown,
        asks={"grouping": BY},
        tag="forecasts",
    )
    def get(self, request: Any, pk: int) -> HttpResponse:
        return self.answer(_plan(_run(pk), self.asked.get("grouping", "portfolio")))


class PlanView(ApiView):
    @operation(
        Need.READ, "The plan in use: the last good forecast of the latest day.", gives=PlanShown,
        asks={"grouping": BY}, tag="forecasts",
    )  # fmt: skip
    def get(self, request: Any) -> HttpResponse:
        run = selectors.latest_run(self.caller.organisation.pk)
        if run is None:
            raise Http404
        return self.answer(_plan(run, self.asked.get("grouping", "portfolio")))


class OutlooksView(ApiView):
    @operation(
        Need.READ, "Heaters likeliest to fail first, with the reasons.", lists=OUTLOOKS, tag="forecasts"
    )
    def get(self, request: Any) -> HttpResponse:
        if "run_id" not in self.asked:
            run = selectors.latest_run(self.caller.organisation.pk)
            self.asked["run_id"] = run.pk if run else 0
        return self.page(OUTLOOKS)


def _book_row(book: CostBook) -> Row:
    names = [name for name in names_of(CostBookShown) if name not in ("lines", "items")]
    lines, items = names_of(CostLineShown), names_of(CostItemShown)
    return {
        **{name: getattr(book, name) for name in names},
        "lines": [{name: getattr(line, name) for name in lines} for line in book.price_lines()],
        "items": [{name: getattr(item, name) for name in items} for item in book.other_prices()],
    }


class CostBookView(ApiView):
    @operation(Need.READ, "The prices in force.", gives=CostBookShown, tag="prices")
    def get(self, request: Any) -> HttpResponse:
        return self.answer(_book_row(services.cost_book_shown(self.caller.organisation)))

    @operation(
        Need.PLAN, "Change or add prices and rates: all of them or none. A version of an earlier day is kept.",
        takes=CostBookGiven, gives=CostBookShown, edits=True, tag="prices",
    )  # fmt: skip
    def patch(self, request: Any) -> HttpResponse:
        organisation = self.caller.organisation
        CostBook.objects.select_for_update().filter(pk=services.cost_book_shown(organisation).pk).first()
        shown = services.cost_book_shown(organisation)
        self.must_match(_book_row(shown))
        book = services.ensure_cost_book(organisation)
        given = self.given
        rates = ("growth_mean", "growth_sd", "discount_rate")
        services.save_prices(
            organisation,
            [_entry(book, line) for line in given.get("lines", [])],
            {name: given[name] for name in rates if name in given},
            given.get("reason", ""),
            [ItemEntry(**item) for item in given.get("items", [])],
        )
        return self.answer(_book_row(services.cost_book_shown(organisation)))


def _entry(book: CostBook, line: dict[str, Any]) -> services.CostEntry:
    """A line as the verb takes it: what was not sent of an existing line stays as it is.

    Without an id (a book not yet opened has none) kind and size say which line is meant.
    """
    number = line.get("id")
    place = {"kind": line["kind"], "capacity_from_gal": line.get("capacity_from_gal", 0)}
    known = book.lines.filter(**place if number is None else {"pk": number}).first()
    kept = {}
    if known is not None:
        kept = {
            name: getattr(known, name)
            for name in ("capacity_from_gal", "capacity_to_gal", "quoted_by", "quoted_on")
        }
    values = kept | {name: value for name, value in line.items() if name != "id"}
    return services.CostEntry(line_id=known.pk if known and number is None else number, **values)


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


urlpatterns = [
    path("forecast-runs", RunsView.as_view(), name="runs"),
    path("forecast-runs/<number:pk>", single(RUNS, "One forecast", "forecasts"), name="runs_one"),
    path("forecast-runs/<number:pk>/cancel", CancelRunView.as_view(), name="runs_cancel"),
    path("forecast-runs/<number:pk>/plan", RunPlanView.as_view(), name="runs_plan"),
    path("plan", PlanView.as_view(), name="plan"),
    path("outlooks", OutlooksView.as_view(), name="outlooks"),
    path("cost-book", CostBookView.as_view(), name="cost_book"),
    path("capital-plans", CapitalsView.as_view(), name="capitals"),
    path(
        "capital-plans/<number:pk>",
        single(CAPITALS, "One capital plan", "capital-plans"),
        name="capitals_one",
    ),
    path("capital-plans/<number:pk>/lines", CapitalLinesView.as_view(), name="capitals_lines"),
]
