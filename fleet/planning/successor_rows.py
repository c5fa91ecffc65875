"""What goes in when a heater of a kind is replaced, from a day on, everywhere or at one property."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from fleet.estate.scope import ScopedModel
from fleet.heaters.models import Kind

__all__ = ["SuccessorRule"]


class SuccessorRule(ScopedModel):
    """A rule of one property goes before one for all; of several in force the latest stands."""

    property = models.ForeignKey(
        "estate.Property", null=True, blank=True, on_delete=models.CASCADE, related_name="+"
    )
    from_kind = models.CharField(max_length=30, choices=Kind.choices)
    to_kind = models.CharField(max_length=30, choices=Kind.choices)
    starts_on = models.DateField()
    why = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["starts_on", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["property", "from_kind", "starts_on"], name="one_successor_a_kind_property_and_day"
            ),
            models.UniqueConstraint(
                fields=["organisation", "from_kind", "starts_on"],
                condition=Q(property=None),
                name="one_successor_a_kind_and_day",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_from_kind_display()} to {self.get_to_kind_display()} from {self.starts_on}"
