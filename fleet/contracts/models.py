"""Cost book, survey, offer, contract and what they cost: rows of the company. What a client holds is its own row."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models
from django.db.models import F, Q

from fleet.contracts.contract_rows import (
    Contract,
    ContractChange,
    ContractHeater,
    ContractJob,
    WarrantyClaim,
)
from fleet.estate.scope import ScopedModel

__all__ = [
    "CompanyBook",
    "CompanyPrice",
    "Contract",
    "ContractChange",
    "ContractHeater",
    "ContractJob",
    "Offer",
    "ReceivedOffer",
    "Survey",
    "SurveyLine",
    "WarrantyClaim",
]


class CompanyBook(ScopedModel):
    """One version of the company's own costs. Saved anew at each change, so that an offer keeps what it stood on."""

    for_planners = True
    currency = models.CharField(max_length=3, default="USD")
    valid_from: models.DateField[date, date] = models.DateField()
    saved_at = models.DateTimeField(auto_now_add=True)
    saved_by = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"cost book of {self.valid_from}"


class CompanyPrice(ScopedModel):
    """One figure of the cost book: for everything (`subject` empty), for a heater kind, or for a task kind."""

    for_planners = True

    class Status(models.TextChoices):
        ENTERED = "entered", "entered"
        ILLUSTRATION = "illustration", "illustration"

    book = models.ForeignKey(CompanyBook, on_delete=models.CASCADE, related_name="prices")
    item = models.CharField(max_length=30)
    subject = models.CharField(max_length=40, blank=True)
    amount = models.DecimalField(max_digits=12, decimal_places=4)
    status = models.CharField(max_length=12, choices=Status.choices, default=Status.ENTERED)
    source = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["book", "item", "subject"], name="one_company_price_each"),
            models.CheckConstraint(condition=Q(amount__gte=0), name="company_price_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.item} {self.subject}".strip()


class Survey(ScopedModel):
    """A company's look at a client's heaters before an offer, and what was computed from it."""

    class State(models.TextChoices):
        OPEN = "open", "looking"
        WAITING = "waiting", "being worked out"
        READY = "ready", "worked out"
        FAILED = "failed", "could not be worked out"

    client = models.ForeignKey("estate.Organisation", on_delete=models.CASCADE, related_name="+")
    begun_on = models.DateField()
    state = models.CharField(max_length=8, choices=State.choices, default=State.OPEN)
    error = models.CharField(max_length=500, blank=True)
    note = models.TextField(blank=True)
    horizon_years = models.PositiveSmallIntegerField(default=5)
    seed = models.PositiveIntegerField(default=1)
    engine_version = models.CharField(max_length=40, blank=True)
    futures = models.BinaryField(null=True, editable=False, help_text="Paths of failures and repairs")
    figures: Any = models.JSONField(default=dict, encoder=DjangoJSONEncoder, help_text="What was found")
    job = models.ForeignKey("estate.Job", null=True, on_delete=models.SET_NULL, related_name="+")
    worked_out_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(condition=Q(horizon_years__range=(1, 10)), name="survey_years_possible")
        ]

    def __str__(self) -> str:
        return f"survey at {self.client} of {self.begun_on}"


class SurveyLine(ScopedModel):
    """One heater of a survey: taken on, taken on without replacement, or not taken on, and why."""

    class Verdict(models.TextChoices):
        TAKEN = "taken", "taken on"
        LIMITED = "limited", "taken on, replacement excluded"
        REFUSED = "refused", "not taken on"

    survey = models.ForeignKey(Survey, on_delete=models.CASCADE, related_name="lines")
    heater = models.ForeignKey("heaters.Heater", on_delete=models.CASCADE, related_name="+")
    place = models.CharField(max_length=500)
    no_access = models.BooleanField(default=False)
    recalled = models.BooleanField(default=False)
    out_of_code = models.BooleanField(default=False)
    condition = models.CharField(max_length=300, blank=True, help_text="What was seen on site")
    verdict = models.CharField(max_length=8, choices=Verdict.choices, default=Verdict.TAKEN)
    reasons: Any = models.JSONField(default=list, help_text="Sentences the client can read")
    missing: Any = models.JSONField(default=list, help_text="What is not on record")
    by_hand = models.BooleanField(default=False, help_text="A person ruled otherwise")
    hand_reason = models.CharField(max_length=300, blank=True)
    fail_chance = models.FloatField(null=True, help_text="Of failing within the years looked ahead")
    age_years = models.FloatField(null=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["survey", "heater"], name="heater_once_a_survey"),
            models.CheckConstraint(
                condition=Q(by_hand=False) | ~Q(hand_reason=""), name="ruled_by_hand_with_reason"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.heater} in {self.survey}"


class Offer(ScopedModel):
    """One version of an offer. Once issued it is never changed: a change is a new version."""

    for_planners = True

    class State(models.TextChoices):
        DRAFT = "draft", "draft"
        ISSUED = "issued", "with the client"
        ACCEPTED = "accepted", "accepted"
        DECLINED = "declined", "declined"
        WITHDRAWN = "withdrawn", "withdrawn"

    class Level(models.TextChoices):
        CARE = "care", "care only"
        REPAIRS = "repairs", "care and repairs"
        REPLACEMENT = "replacement", "care, repairs and replacement up to a limit"

    class Response(models.TextChoices):
        WORKING_DAY = "working_day", "by the end of the next working day"
        ANY_DAY = "any_day", "by the end of the next day, weekends too"
        HOURS = "hours", "within four hours, day and night"

    survey = models.ForeignKey(Survey, on_delete=models.PROTECT, related_name="offers")
    client = models.ForeignKey("estate.Organisation", on_delete=models.CASCADE, related_name="+")
    book = models.ForeignKey(CompanyBook, on_delete=models.PROTECT, related_name="+")
    number = models.PositiveIntegerField()
    version = models.PositiveIntegerField(default=1)
    renews = models.ForeignKey(
        "contracts.Contract", null=True, on_delete=models.SET_NULL, related_name="renewal_offers"
    )
    state = models.CharField(max_length=10, choices=State.choices, default=State.DRAFT)
    level = models.CharField(max_length=12, choices=Level.choices)
    response = models.CharField(max_length=12, choices=Response.choices)
    starts_on: models.DateField[date, date] = models.DateField()
    years = models.PositiveSmallIntegerField()
    price_growth = models.DecimalField(max_digits=5, decimal_places=4, default=Decimal("0.03"))
    limit_a_year = models.DecimalField(max_digits=12, decimal_places=2, null=True, blank=True)
    margin = models.DecimalField(max_digits=4, decimal_places=3)
    loss_chance = models.DecimalField(max_digits=4, decimal_places=3)
    price = models.DecimalField(max_digits=12, decimal_places=2, help_text="First contract year")
    below_cost_reason = models.CharField(max_length=300, blank=True)
    care: Any = models.JSONField(default=dict, help_text="Promised task kinds and their months")
    exclusions = models.TextField(blank=True)
    valid_until: models.DateField[date, date] = models.DateField()
    priced: Any = models.JSONField(
        default=dict, encoder=DjangoJSONEncoder, help_text="How the price came about"
    )
    paths = models.BinaryField(null=True, editable=False, help_text="Yearly cost on each path")
    content: Any = models.JSONField(
        null=True, encoder=DjangoJSONEncoder, help_text="What the client reads, as it was issued"
    )
    issued_at = models.DateTimeField(null=True)
    issued_by = models.CharField(max_length=200, blank=True)
    answered_at = models.DateTimeField(null=True)
    answered_by = models.CharField(max_length=200, blank=True)
    answer = models.CharField(max_length=300, blank=True)
    on_paper = models.BooleanField(default=False)
    scan = models.BinaryField(null=True, editable=False)
    scan_name = models.CharField(max_length=200, blank=True)
    scan_type = models.CharField(max_length=60, blank=True)

    class Meta:
        ordering = ["-number", "-version"]
        constraints = [
            models.UniqueConstraint(fields=["organisation", "number", "version"], name="offer_version_once"),
            models.CheckConstraint(condition=Q(years__range=(1, 10)), name="offer_years_possible"),
            models.CheckConstraint(
                condition=Q(state__in=("draft", "issued", "withdrawn"))
                | (Q(answered_at__isnull=False) & ~Q(answered_by="")),
                name="offer_answered_by_name_and_time",
            ),
            models.CheckConstraint(condition=Q(price__gt=0), name="offer_price_above_zero"),
        ]

    def __str__(self) -> str:
        return f"offer {self.number}, version {self.version}"


class ReceivedOffer(ScopedModel):
    """What the client received: the document and its own answer. It holds nothing of the company's costs."""

    for_planners = True
    company = models.ForeignKey("estate.Organisation", on_delete=models.CASCADE, related_name="+")
    company_name = models.CharField(max_length=200)
    number = models.PositiveIntegerField()
    version = models.PositiveIntegerField()
    state = models.CharField(max_length=10, choices=Offer.State.choices, default=Offer.State.ISSUED)
    content: Any = models.JSONField(encoder=DjangoJSONEncoder)
    document = models.BinaryField(editable=False)
    received_at = models.DateTimeField()
    valid_until: models.DateField[date, date] = models.DateField()
    answered_at = models.DateTimeField(null=True)
    answered_by = models.CharField(max_length=200, blank=True)
    answer = models.CharField(max_length=300, blank=True)
    on_paper = models.BooleanField(default=False)
    ended_on = models.DateField(null=True, help_text="When the contract ended, if it did")
    ended_because = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["organisation", "company", "number", "version"], name="received_offer_once"
            ),
            models.CheckConstraint(condition=~Q(company=F("organisation")), name="received_from_another"),
        ]

    def __str__(self) -> str:
        return f"offer {self.number}, version {self.version}, of {self.company_name}"
