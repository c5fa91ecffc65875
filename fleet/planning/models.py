"""The cost book and the forecast runs: what is stored and what the database itself refuses."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any, ClassVar

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models
from django.db.models import F, Q

from fleet.estate.scope import Level, ScopedManager, ScopedModel, ScopedQuerySet
from fleet.heaters.models import Kind
from fleet.planning import shipped_prices
from fleet.planning.capital_rows import CapitalLine, CapitalPlan
from fleet.planning.part_rows import ForecastPart
from fleet.planning.price_items import ITEM_OF
from fleet.planning.prior_rows import PriorEntry
from fleet.planning.report_rows import PlanReport, SharedLink
from fleet.planning.review_rows import PlanReview
from fleet.planning.successor_rows import SuccessorRule
from fleet.planning.table_rows import RunTable
from fleet.planning.trust_rows import TrustCheck

__all__ = [
    "CapitalLine",
    "CapitalPlan",
    "CostBook",
    "CostItem",
    "CostLine",
    "ForecastPart",
    "ForecastRun",
    "HeaterOutlook",
    "PlanReport",
    "PlanReview",
    "PriorEntry",
    "RunTable",
    "SharedLink",
    "SuccessorRule",
    "TrustCheck",
]


class CostBook(ScopedModel):
    """One dated version of the organisation's prices, in the money of the day it is valid from."""

    valid_from = models.DateField()
    currency = models.CharField(max_length=3, default="USD")
    growth_mean = models.DecimalField(
        max_digits=6, decimal_places=4, default=Decimal("0.03"), help_text="Yearly price growth, 0.03 = 3 %"
    )
    growth_sd = models.DecimalField(
        max_digits=6, decimal_places=4, default=Decimal("0.015"), help_text="How unsure that growth is"
    )
    discount_rate = models.DecimalField(max_digits=6, decimal_places=4, default=Decimal("0.03"))
    growth_status = models.CharField(max_length=12, default="illustration")
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-valid_from", "-id"]
        constraints = [
            models.UniqueConstraint(fields=["organisation", "valid_from"], name="one_cost_book_a_day"),
            models.CheckConstraint(condition=Q(growth_mean__range=(-0.5, 0.5)), name="growth_mean_possible"),
            models.CheckConstraint(condition=Q(growth_sd__range=(0, 0.5)), name="growth_sd_possible"),
            models.CheckConstraint(
                condition=Q(discount_rate__range=(-0.5, 0.5)), name="discount_rate_possible"
            ),
        ]

    def __str__(self) -> str:
        return f"cost book of {self.valid_from}"

    def price_lines(self) -> list[CostLine]:
        """By kind and size; of a book that nobody has opened yet, the shipped illustrations."""
        return list(self.lines.all()) if self.pk else shipped_prices.lines(self)

    def other_prices(self) -> list[CostItem]:
        """Everything beside the heaters' own prices; of a book not opened yet, the shipped illustrations."""
        return list(self.items.all()) if self.pk else shipped_prices.items(self)


class CostLine(ScopedModel):
    """What one heater of a kind and size costs to replace: planned, or at once after it failed."""

    class Status(models.TextChoices):
        ENTERED = "entered", "entered"
        QUOTED = "quoted", "quoted"
        ILLUSTRATION = "illustration", "illustration"

    book = models.ForeignKey(CostBook, on_delete=models.CASCADE, related_name="lines")
    kind = models.CharField(max_length=30, choices=Kind.choices)
    capacity_from_gal = models.FloatField(default=0, help_text="From this size on")
    capacity_to_gal = models.FloatField(
        null=True, blank=True, help_text="Below this size; empty: no upper end"
    )
    planned_cost = models.DecimalField(max_digits=12, decimal_places=2)
    emergency_cost = models.DecimalField(max_digits=12, decimal_places=2)
    status = models.CharField(max_length=12, choices=Status.choices, default=Status.ENTERED)
    quoted_by = models.CharField(max_length=200, blank=True)
    quoted_on = models.DateField(null=True, blank=True)
    source = models.CharField(max_length=400, blank=True)

    class Meta:
        ordering = ["kind", "capacity_from_gal"]
        constraints = [
            models.UniqueConstraint(
                fields=["book", "kind", "capacity_from_gal"], name="one_cost_line_a_size"
            ),
            models.CheckConstraint(
                condition=Q(planned_cost__gte=0) & Q(emergency_cost__gte=0), name="no_negative_price"
            ),
            models.CheckConstraint(
                condition=Q(capacity_from_gal__gte=0)
                & (Q(capacity_to_gal__isnull=True) | Q(capacity_to_gal__gt=F("capacity_from_gal"))),
                name="cost_line_sizes_ordered",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, {self.size_words}"

    @property
    def key(self) -> str:
        """The same in every version of the book, also in one that is not stored yet."""
        return f"{self.kind}-{self.capacity_from_gal:g}"

    @property
    def size_words(self) -> str:
        if self.capacity_to_gal is None:
            return "any size" if not self.capacity_from_gal else f"{self.capacity_from_gal:g} gal and more"
        return f"{self.capacity_from_gal:g} to under {self.capacity_to_gal:g} gal"


class CostItem(ScopedModel):
    """A price that is not a heater's own (`price_items.ITEMS`): an amount, a share, or both."""

    book = models.ForeignKey(CostBook, on_delete=models.CASCADE, related_name="items")
    item = models.CharField(max_length=40)
    amount = models.DecimalField(max_digits=12, decimal_places=4, null=True, blank=True)
    share = models.DecimalField(max_digits=5, decimal_places=4, null=True, blank=True)
    status = models.CharField(max_length=12, choices=CostLine.Status.choices, default=CostLine.Status.ENTERED)
    quoted_by = models.CharField(max_length=200, blank=True)
    quoted_on = models.DateField(null=True, blank=True)
    source = models.CharField(max_length=400, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["book", "item"], name="one_price_an_item"),
            models.CheckConstraint(
                condition=Q(amount__isnull=True) | Q(amount__gte=0), name="no_negative_item"
            ),
            models.CheckConstraint(
                condition=Q(share__isnull=True) | Q(share__range=(0, 1)), name="item_share_possible"
            ),
        ]

    def __str__(self) -> str:
        return self.words

    @property
    def words(self) -> str:
        return ITEM_OF[self.item].words if self.item in ITEM_OF else self.item


class ForecastRuns(ScopedManager):
    """A large fleet's result is megabytes: read where it is asked for, and by nobody else."""

    def get_queryset(self) -> ScopedQuerySet:
        return super().get_queryset().defer("result")


class ForecastRun(ScopedModel):
    """One computed forecast of a whole organisation: its inputs' digest, assumptions, seed and result."""

    class State(models.TextChoices):
        WAITING = "waiting", "waiting"
        RUNNING = "running", "running"
        DONE = "done", "done"
        FAILED = "failed", "failed"
        CANCELLED = "cancelled", "called off"

    as_of: models.DateField[date, date] = models.DateField()
    horizon_years = models.PositiveSmallIntegerField(default=10)
    seed = models.PositiveIntegerField(default=1)
    draws = models.PositiveIntegerField(default=1000)
    engine_version = models.CharField(max_length=40, blank=True)
    inputs_digest = models.CharField(max_length=64, blank=True)
    result_digest = models.CharField(max_length=64, blank=True)
    assumptions = models.JSONField(default=dict, encoder=DjangoJSONEncoder)
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING)
    error = models.TextField(blank=True)
    result = models.JSONField(null=True, encoder=DjangoJSONEncoder)
    overall = models.JSONField(
        null=True, encoder=DjangoJSONEncoder, help_text="The result without the tables of its groups"
    )
    diagnostics = models.JSONField(null=True, encoder=DjangoJSONEncoder)
    cost_book = models.ForeignKey(CostBook, null=True, on_delete=models.SET_NULL, related_name="+")
    job = models.ForeignKey("estate.Job", null=True, on_delete=models.SET_NULL, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    finished_at = models.DateTimeField(null=True)
    objects: ClassVar[ForecastRuns] = ForecastRuns()

    class Meta:
        ordering = ["-id"]
        indexes = [models.Index(fields=["organisation", "state", "-id"])]
        constraints = [
            models.CheckConstraint(condition=Q(horizon_years__range=(1, 40)), name="run_horizon_possible"),
            models.CheckConstraint(condition=Q(draws__range=(50, 20_000)), name="run_draws_possible"),
        ]

    def __str__(self) -> str:
        return f"forecast of {self.as_of}"

    @property
    def in_brief(self) -> dict[str, Any]:
        """What it says of all properties together; empty while it has no result."""
        return self.overall or self.result or {}


class HeaterOutlook(ScopedModel):
    """One heater's place in a run's ranked list."""

    property_path = "heater__position__building__property"
    opened_at = Level.OUTLOOK
    run = models.ForeignKey(  # the other indexes begin with it
        ForecastRun, on_delete=models.CASCADE, related_name="outlooks", db_index=False
    )
    heater = models.ForeignKey("heaters.Heater", on_delete=models.CASCADE, related_name="outlooks")
    rank = models.PositiveIntegerField()
    age_years = models.FloatField()
    age_known = models.BooleanField()
    p_fail_12_months = models.FloatField()
    p_fail_36_months = models.FloatField()
    remaining_life_p10_years = models.FloatField()
    remaining_life_median_years = models.FloatField()
    remaining_life_p90_years = models.FloatField()
    planned_cost = models.DecimalField(max_digits=12, decimal_places=2)
    emergency_cost = models.DecimalField(max_digits=12, decimal_places=2)
    reasons = models.JSONField(default=list)
    chances = models.JSONField(
        default=list, help_text="Years ahead, chance of failure by then, and its 80 % interval"
    )
    remedies = models.JSONField(default=list, help_text="What would lower the chance, and by how much")

    class Meta:
        ordering = ["rank"]
        indexes = [models.Index(fields=["run", "rank"], name="outlook_by_rank")]
        constraints = [models.UniqueConstraint(fields=["run", "heater"], name="one_outlook_a_heater_and_run")]

    def __str__(self) -> str:
        return f"{self.heater} in {self.run}"
