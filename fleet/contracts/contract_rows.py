"""A running contract: its heaters, its changes, the jobs done under it, warranty claims."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.db import models
from django.db.models import F, Q

from fleet.estate.scope import ScopedModel


class Contract(ScopedModel):
    """What an accepted offer became. Its price changes only by its own rule, and each change is a row."""

    for_planners = True

    class State(models.TextChoices):
        RUNNING = "running", "running"
        ENDED = "ended", "ended"

    offer: Any = models.OneToOneField("contracts.Offer", on_delete=models.PROTECT, related_name="contract")
    client = models.ForeignKey("estate.Organisation", on_delete=models.CASCADE, related_name="+")
    state = models.CharField(max_length=8, choices=State.choices, default=State.RUNNING)
    starts_on: models.DateField[date, date] = models.DateField()
    ends_on: models.DateField[date, date] = models.DateField(help_text="Its last day")
    ended_because = models.CharField(max_length=300, blank=True)
    held: Any = models.JSONField(
        default=list, help_text="Care that cannot be promised at some heaters, and why"
    )
    told: Any = models.JSONField(default=list, help_text="What its people were told of already")

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(condition=Q(starts_on__lte=F("ends_on")), name="contract_days_ordered"),
        ]

    def __str__(self) -> str:
        return f"contract {self.offer.number} with {self.client}"


class ContractHeater(ScopedModel):
    """A heater under contract, from a day to a day, with its part of the first-year price."""

    for_planners = True
    contract = models.ForeignKey(Contract, on_delete=models.CASCADE, related_name="heaters")
    heater = models.ForeignKey("heaters.Heater", on_delete=models.CASCADE, related_name="+")
    since: models.DateField[date, date] = models.DateField()
    until: models.DateField[date | None, date | None] = models.DateField(null=True)
    replaced = models.BooleanField(help_text="Its replacement is covered")
    price_a_year = models.DecimalField(
        max_digits=12, decimal_places=2, help_text="Of the first contract year"
    )
    left_because = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(
                fields=["contract", "heater"], condition=Q(until=None), name="heater_once_under_contract"
            ),
            models.CheckConstraint(
                condition=Q(until__isnull=True) | Q(since__lte=F("until")), name="under_contract_ordered"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.heater} under {self.contract}"


class ContractChange(ScopedModel):
    """A heater that came, was replaced or left, what the rule made of the price, and who was told."""

    for_planners = True

    class What(models.TextChoices):
        ADDED = "added", "heater added"
        REPLACED = "replaced", "heater replaced"
        REMOVED = "removed", "heater removed"
        ENDED = "ended", "contract ended"
        RENEWED = "renewed", "contract renewed"

    contract = models.ForeignKey(Contract, on_delete=models.CASCADE, related_name="changes")
    day: models.DateField[date, date] = models.DateField()
    what = models.CharField(max_length=8, choices=What.choices)
    heater = models.ForeignKey("heaters.Heater", null=True, on_delete=models.SET_NULL, related_name="+")
    words = models.CharField(max_length=400, help_text="The rule's sentence")
    price_before = models.DecimalField(max_digits=12, decimal_places=2)
    price_after = models.DecimalField(max_digits=12, decimal_places=2)
    made_by = models.CharField(max_length=200)
    made_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-day", "-id"]

    def __str__(self) -> str:
        return f"{self.get_what_display()}, {self.day}"


class ContractJob(ScopedModel):
    """One unplanned job: when it was called, when somebody came, what it took and what it cost the company."""

    for_planners = True

    class What(models.TextChoices):
        REPAIR = "repair", "repair"
        CALL = "call", "call without repair"
        REPLACEMENT = "replacement", "replacement"

    contract = models.ForeignKey(Contract, on_delete=models.CASCADE, related_name="jobs")
    heater = models.ForeignKey("heaters.Heater", on_delete=models.CASCADE, related_name="+")
    what = models.CharField(max_length=12, choices=What.choices)
    called_at = models.DateTimeField()
    came_at = models.DateTimeField()
    hours = models.DecimalField(max_digits=6, decimal_places=2)
    materials = models.DecimalField(max_digits=12, decimal_places=2)
    after_hours = models.BooleanField(default=False)
    cost = models.DecimalField(max_digits=12, decimal_places=2, help_text="By the cost book of that day")
    words = models.CharField(max_length=300, blank=True)
    entered_by = models.CharField(max_length=200)

    class Meta:
        ordering = ["-called_at", "-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["contract", "heater", "what", "called_at"], name="contract_job_once"
            ),
            models.CheckConstraint(condition=Q(called_at__lte=F("came_at")), name="came_after_called"),
            models.CheckConstraint(
                condition=Q(hours__gte=0) & Q(materials__gte=0) & Q(cost__gte=0), name="job_costs_something"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_what_display()} at {self.heater}"


class WarrantyClaim(ScopedModel):
    """What the maker should pay for: a tank that failed within its warranty."""

    for_planners = True

    class State(models.TextChoices):
        OPEN = "open", "to be claimed"
        CLAIMED = "claimed", "claimed"
        PAID = "paid", "paid"
        REFUSED = "refused", "refused by the maker"

    contract = models.ForeignKey(Contract, on_delete=models.CASCADE, related_name="claims")
    heater = models.ForeignKey("heaters.Heater", on_delete=models.CASCADE, related_name="+")
    words = models.CharField(max_length=400)
    state = models.CharField(max_length=8, choices=State.choices, default=State.OPEN)
    amount = models.DecimalField(max_digits=12, decimal_places=2, null=True, blank=True)
    note = models.CharField(max_length=300, blank=True)
    changed_at = models.DateTimeField(auto_now=True)

    class Meta:
        ordering = ["id"]
        constraints = [models.UniqueConstraint(fields=["contract", "heater"], name="one_claim_a_heater")]

    def __str__(self) -> str:
        return f"warranty of {self.heater}"
