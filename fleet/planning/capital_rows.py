"""A capital plan under a cap: what was asked, what came out, and one line a heater."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models
from django.db.models import Q

from fleet.estate.scope import ScopedModel

__all__ = ["UNREAD", "CapitalLine", "CapitalPlan", "with_their_runs"]
UNREAD = ("run__result", "run__diagnostics")  # megabytes of a large fleet that no page of a plan shows


class CapitalPlan(ScopedModel):
    """One plan: which heaters in which fiscal year, at the least expected cost, under a yearly cap."""

    class State(models.TextChoices):
        WAITING = "waiting", "waiting"
        RUNNING = "running", "running"
        DONE = "done", "done"
        FAILED = "failed", "not possible"
        CANCELLED = "cancelled", "called off"

    run = models.ForeignKey("planning.ForecastRun", on_delete=models.CASCADE, related_name="capital_plans")
    cap = models.DecimalField(
        max_digits=14, decimal_places=2, help_text="Money for planned work a fiscal year"
    )
    horizon_years = models.PositiveSmallIntegerField(default=10)
    crew = models.PositiveIntegerField(null=True, blank=True, help_text="Heaters a fiscal year")
    visit_cost = models.DecimalField(max_digits=12, decimal_places=2, default=Decimal(0))
    must = models.JSONField(default=list, help_text="Numbers of heaters that must be done")
    must_not = models.JSONField(default=list)
    opening_balance = models.DecimalField(max_digits=14, decimal_places=2, default=Decimal(0))
    shortfall_limit = models.DecimalField(max_digits=4, decimal_places=3, default=Decimal("0.1"))
    interest = models.DecimalField(max_digits=6, decimal_places=4, default=Decimal("0.02"))
    property_caps = models.JSONField(default=dict, help_text="Yearly cap by the number of the property")
    compare_age_years = models.PositiveSmallIntegerField(default=12)
    contribution = models.DecimalField(
        max_digits=14,
        decimal_places=2,
        null=True,
        blank=True,
        help_text="Paid into the fund each year; empty: what the limit needs",
    )
    other_draws = models.DecimalField(
        max_digits=14, decimal_places=2, default=Decimal(0), help_text="Other money the fund pays each year"
    )
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING)
    error = models.TextField(blank=True)
    result = models.JSONField(null=True, encoder=DjangoJSONEncoder)
    job = models.ForeignKey("estate.Job", null=True, on_delete=models.SET_NULL, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    finished_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(cap__gte=0) & Q(visit_cost__gte=0), name="capital_money_not_negative"
            ),
            models.CheckConstraint(
                condition=Q(horizon_years__range=(1, 40)), name="capital_horizon_possible"
            ),
            models.CheckConstraint(
                condition=Q(shortfall_limit__range=(0, 0.99)), name="capital_limit_possible"
            ),
        ]

    def __str__(self) -> str:
        return f"capital plan under {self.cap:,.0f} a year"


class CapitalLine(ScopedModel):
    """One heater's place in a capital plan. Money of today except `set_aside`, which is that year's."""

    property_path = "heater__position__building__property"
    plan = models.ForeignKey(CapitalPlan, on_delete=models.CASCADE, related_name="lines")
    heater = models.ForeignKey("heaters.Heater", on_delete=models.CASCADE, related_name="+")
    period = models.SmallIntegerField(help_text="Place of the fiscal year, -1: not planned")
    set_aside = models.DecimalField(max_digits=12, decimal_places=2, default=Decimal(0))
    p_fail_before = models.FloatField(
        help_text="Chance of failing before its planned year, or in the horizon"
    )
    risk_avoided = models.DecimalField(max_digits=12, decimal_places=2)
    saving = models.DecimalField(max_digits=12, decimal_places=2, help_text="Against running it to failure")
    waiting_cost = models.DecimalField(max_digits=12, decimal_places=2)
    new_unit_a_year = models.DecimalField(max_digits=12, decimal_places=2)

    class Meta:
        ordering = ["id"]
        constraints = [models.UniqueConstraint(fields=["plan", "heater"], name="one_line_a_heater_and_plan")]

    def __str__(self) -> str:
        return f"{self.heater} in {self.plan}"


def with_their_runs() -> Any:
    """Capital plans, each with its forecast but for what no page of a plan shows."""
    return CapitalPlan.objects.select_related("run").defer(*UNREAD)
