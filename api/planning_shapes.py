"""Shapes of forecasts, plans, prices and capital plans. Money is text with its currency beside it."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from api.estate import within
from api.rows import Computed, Filter, Rows
from api.shapes import (
    Given,
    Known,
    Money,
    Shown,
    StrictChoice,
    StrictDay,
    StrictNumber,
    StrictText,
    StrictWhole,
    number,
    text,
)
from fleet.estate.models import Property
from fleet.heaters.models import Heater, Kind
from fleet.planning import selectors
from fleet.planning.capital_rows import CapitalLine, CapitalPlan
from fleet.planning.models import CostItem, CostLine, ForecastRun, HeaterOutlook


class RunShown(Shown):
    cost_book_id = number(nullable=True)
    job_id = number(nullable=True)

    class Meta:
        model = ForecastRun
        fields = ("id", "as_of", "horizon_years", "draws", "seed", "state", "error", "engine_version",
                  "inputs_digest", "result_digest", "assumptions", "diagnostics", "cost_book_id", "job_id",
                  "created_at", "finished_at")  # fmt: skip


RUNS = Rows(
    "ForecastRun",
    RunShown,
    lambda: ForecastRun.objects.all(),
    {"state": Filter("state", serializers.ChoiceField(choices=ForecastRun.State.choices), "In this state.")},
    newest_first=True,
)


class RunGiven(Given):
    as_of = StrictDay(required=False, help_text="Today, if not said")
    horizon_years = StrictWhole(required=False, min_value=1, max_value=40)
    draws = StrictWhole(required=False, min_value=50, max_value=20_000)
    seed = StrictWhole(required=False, min_value=0, max_value=2**31 - 1)


class CurvePoint(serializers.Serializer):
    years = serializers.FloatField(help_text="From the day of the forecast")
    failed = serializers.FloatField(help_text="Chance to have failed by then")
    p10 = serializers.FloatField(allow_null=True)
    p90 = serializers.FloatField(allow_null=True)


class FutureShown(serializers.Serializer):
    heater_id = serializers.IntegerField()
    as_of = serializers.DateField()
    curve = CurvePoint(many=True)
    reasons = serializers.ListField(child=serializers.CharField())
    remedies = serializers.JSONField(help_text="What would change it")


QUANTITIES = ("expected", *selectors.QUANTILES)


class Amounts(serializers.Serializer):
    expected = Money()
    p10 = Money()
    p50 = Money()
    p80 = Money()
    p90 = Money()


class PlanYear(serializers.Serializer):
    fiscal_year = serializers.CharField()
    first_day = serializers.DateField()
    last_day = serializers.DateField()
    whole_year = serializers.BooleanField()
    replacements = Amounts(help_text="Heaters, expected and by quantile; quantiles never add up")
    cost = Amounts(help_text="Money of its year, in `currency`")
    cumulative_replacements = Amounts()
    cumulative_cost = Amounts()


class PlanGroup(serializers.Serializer):
    key = serializers.CharField(help_text="Number of the property or building, kind, or empty for all")
    name = serializers.CharField()
    years = PlanYear(many=True)


class PlanShown(serializers.Serializer):
    run_id = serializers.IntegerField()
    as_of = serializers.DateField()
    currency = serializers.CharField()
    grouping = serializers.CharField()
    groups = PlanGroup(many=True)
    how_sure = serializers.ListField(child=serializers.CharField())
    assumptions = serializers.ListField(child=serializers.CharField())


GROUPINGS = ("portfolio", *selectors.GROUPINGS, "property_own_years")


def _amounts(figures: selectors.Figures) -> dict[str, Any]:
    return {name: getattr(figures, name) for name in QUANTITIES}


def group_row(table: selectors.GroupTable) -> dict[str, Any]:
    return {
        "key": str(table.key),
        "name": table.name,
        "years": [
            {
                "fiscal_year": year.label,
                "first_day": year.start,
                "last_day": year.last_day,
                "whole_year": year.whole,
                "replacements": _amounts(year.count),
                "cost": _amounts(year.cost),
                "cumulative_replacements": _amounts(year.count_so_far),
                "cumulative_cost": _amounts(year.cost_so_far),
            }
            for year in table.years
        ],
    }


class Reason(serializers.Serializer):
    words = serializers.CharField()
    covariate = serializers.CharField()
    assumed = serializers.BooleanField(help_text="It stands on an assumed value, not on the record")
    log_hazard = serializers.FloatField()


class OutlookShown(Shown):
    run_id = number()
    property_id = number("heater.position.building.property_id")
    property_name = text("heater.position.building.property.name")
    building_id = number("heater.position.building_id")
    building_name = text("heater.position.building.name")
    position_label = text("heater.position.label")
    heater_id = number()
    heater_tag = text("heater.tag")
    kind = text("heater.kind")
    reasons = Reason(many=True, read_only=True)
    currency = serializers.CharField(read_only=True, source="run.assumptions.currency")
    as_of = serializers.DateField(read_only=True, source="run.as_of")

    class Meta:
        model = HeaterOutlook
        fields = ("id", "run_id", "as_of", "rank", "property_id", "property_name", "building_id", "building_name",
                  "position_label", "heater_id", "heater_tag", "kind", "age_years", "age_known", "p_fail_12_months",
                  "p_fail_36_months", "remaining_life_p10_years", "remaining_life_median_years",
                  "remaining_life_p90_years", "planned_cost", "emergency_cost", "currency", "reasons")  # fmt: skip


OUTLOOKS = Rows(
    "HeaterOutlook",
    OutlookShown,
    lambda: HeaterOutlook.objects.all(),
    {
        "run_id": within("run_id", "Of this run; of the plan in use, if not said."),
        "property_id": within("heater__position__building__property_id", "At this property."),
        "heater_id": within("heater_id", "Of this heater."),
    },
    key="rank",
)


class CostLineShown(Shown):
    id = number(nullable=True)

    class Meta:
        model = CostLine
        fields = ("id", "kind", "capacity_from_gal", "capacity_to_gal", "planned_cost", "emergency_cost", "status",
                  "quoted_by", "quoted_on", "source")  # fmt: skip


class CostItemShown(Shown):
    words = serializers.CharField(read_only=True)
    share = Money(max_digits=5, decimal_places=4, read_only=True, allow_null=True, help_text="0.4 = 40 %")
    amount = Money(max_digits=12, decimal_places=4, read_only=True, allow_null=True)

    class Meta:
        model = CostItem
        fields = ("item", "words", "amount", "share", "status", "quoted_by", "quoted_on", "source")


class CostBookShown(serializers.Serializer):
    id = serializers.IntegerField(
        allow_null=True, help_text="null: nobody has opened a cost book; these are the shipped illustrations"
    )
    valid_from = serializers.DateField()
    currency = serializers.CharField()
    growth_mean = Money(max_digits=6, decimal_places=4, help_text="Yearly price growth, 0.0300 = 3 %")
    growth_sd = Money(max_digits=6, decimal_places=4, help_text="How unsure that growth is")
    discount_rate = Money(max_digits=6, decimal_places=4)
    growth_status = serializers.CharField()
    lines = CostLineShown(many=True)
    items = CostItemShown(many=True)


class CostLineGiven(Given):
    id = StrictWhole(
        required=False,
        allow_null=True,
        min_value=1,
        max_value=2**53,
        help_text="Of a line to change; none: the line of this kind and size, or a new one",
    )
    kind = StrictChoice(choices=Kind.choices)
    capacity_from_gal = StrictNumber(required=False, min_value=0, max_value=10_000)
    capacity_to_gal = StrictNumber(required=False, allow_null=True, min_value=0, max_value=10_000)
    planned_cost = Money(min_value=0)
    emergency_cost = Money(min_value=0)
    status = StrictChoice(required=False, choices=CostLine.Status.choices)
    quoted_by = StrictText(required=False, allow_blank=True, max_length=200)
    quoted_on = StrictDay(required=False, allow_null=True)
    source = StrictText(required=False, allow_blank=True, max_length=400)  # type: ignore[assignment]


class CostItemGiven(Given):
    item = StrictText(max_length=40)
    amount = Money(required=False, allow_null=True, max_digits=12, decimal_places=4, min_value=0)
    share = Money(required=False, allow_null=True, max_digits=5, decimal_places=4, min_value=0, max_value=1)
    status = StrictChoice(required=False, choices=CostLine.Status.choices)
    quoted_by = StrictText(required=False, allow_blank=True, max_length=200)
    quoted_on = StrictDay(required=False, allow_null=True)
    source = StrictText(required=False, allow_blank=True, max_length=400)  # type: ignore[assignment]


def _rate() -> serializers.Field:
    return Money(required=False, max_digits=5, decimal_places=4)


class CostBookGiven(Given):
    lines = CostLineGiven(many=True, required=False)
    items = CostItemGiven(many=True, required=False)
    growth_mean = _rate()
    growth_sd = _rate()
    discount_rate = _rate()
    reason = StrictText(required=False, allow_blank=True, max_length=500, help_text="Kept in the history")


class CapitalShown(Shown):
    run_id = number()
    job_id = number(nullable=True)
    currency = serializers.CharField(read_only=True, source="run.assumptions.currency")
    must = serializers.ListField(child=serializers.IntegerField(), read_only=True)
    must_not = serializers.ListField(child=serializers.IntegerField(), read_only=True)
    property_caps = serializers.DictField(
        child=serializers.CharField(), read_only=True, help_text="Number of the property -> yearly cap"
    )

    class Meta:
        model = CapitalPlan
        fields = ("id", "run_id", "cap", "horizon_years", "crew", "visit_cost", "must", "must_not",
                  "property_caps", "compare_age_years", "opening_balance", "contribution", "other_draws",
                  "shortfall_limit", "interest", "currency", "state", "error", "result", "job_id",
                  "created_at", "finished_at")  # fmt: skip


CAPITALS = Rows(
    "CapitalPlan",
    CapitalShown,
    lambda: CapitalPlan.objects.all(),
    {"run_id": within("run_id", "From this run.")},
    newest_first=True,
)


class PropertyCap(Given):
    property_id = Known(Property)
    cap = Money(max_digits=13, min_value=0)


class CapitalGiven(Given):
    """Amounts in the money of the cost book."""

    cap = Money(max_digits=13, min_value=0, help_text="Money for planned work a fiscal year")
    run_id = Known(ForecastRun, required=False, help_text="The plan in use, if not said")
    horizon_years = StrictWhole(required=False, min_value=1, max_value=40)
    crew = StrictWhole(
        required=False, allow_null=True, min_value=0, max_value=1_000_000, help_text="Heaters a year"
    )
    visit_cost = Money(
        required=False, min_value=0, help_text="Saved for each further heater of a building and year"
    )
    must = serializers.ListField(child=Known(Heater), required=False, max_length=1000)
    must_not = serializers.ListField(child=Known(Heater), required=False, max_length=1000)
    property_caps = PropertyCap(many=True, required=False, help_text="Yearly caps of single properties")
    compare_age_years = StrictWhole(
        required=False, min_value=1, max_value=60, help_text="Compare with replacing at this age"
    )
    opening_balance = Money(required=False, max_digits=13, help_text="The reserve fund today")
    contribution = Money(
        required=False, allow_null=True, max_digits=13, help_text="A year; null: what the limit needs"
    )
    other_draws = Money(required=False, max_digits=13, help_text="Other money the fund pays a year")
    shortfall_limit = Money(required=False, max_digits=4, decimal_places=3, min_value=0)
    interest = Money(required=False, max_digits=5, decimal_places=4)


class CapitalLineShown(Shown):
    heater_id = number()
    heater_tag = text("heater.tag")
    fiscal_year = serializers.CharField(read_only=True, allow_null=True, help_text="null: not planned")

    class Meta:
        model = CapitalLine
        fields = ("id", "heater_id", "heater_tag", "fiscal_year", "set_aside", "p_fail_before", "risk_avoided",
                  "saving", "waiting_cost", "new_unit_a_year")  # fmt: skip


def capital_lines(plan: CapitalPlan) -> Rows:
    """The lines of one plan, their fiscal years by name."""
    labels = [year["label"] for year in (plan.result or {}).get("years", [])]
    named = Computed(("period",), lambda period: labels[period] if 0 <= period < len(labels) else None)
    return Rows(
        "CapitalLine",
        CapitalLineShown,
        lambda: CapitalLine.objects.filter(plan=plan),
        {},
        {"fiscal_year": named},
    )


CAPITAL_LINES = Rows(
    "CapitalLine",
    CapitalLineShown,
    lambda: CapitalLine.objects.all(),
    {},
    {"fiscal_year": Computed(("period",), lambda period: None)},
)
