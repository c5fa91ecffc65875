"""What an organisation put in place of a shipped prior: every version is kept, at most one of a row is in force."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from fleet.estate.scope import ScopedModel


class PriorEntry(ScopedModel):
    """An entered figure for one row of the shipped tables of lifetimes or effects."""

    class Table(models.TextChoices):
        LIFETIMES = "lifetimes", "lifetimes"
        EFFECTS = "effects", "effects"

    table = models.CharField(max_length=10, choices=Table.choices)
    row_id = models.CharField(max_length=80)
    value = models.FloatField(help_text="Lifetimes: the figure in its unit. Effects: the mean.")
    spread = models.FloatField(help_text="Lifetimes: the weight of the row. Effects: the standard deviation.")
    reason = models.CharField(max_length=500)
    entered_by = models.CharField(max_length=200, blank=True)
    entered_at = models.DateTimeField(auto_now_add=True)
    in_force = models.BooleanField(default=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["organisation", "table", "row_id"],
                condition=Q(in_force=True),
                name="one_entered_prior_in_force",
            ),
            models.CheckConstraint(condition=Q(spread__gte=0), name="prior_spread_not_negative"),
            models.CheckConstraint(condition=~Q(reason=""), name="prior_reason_given"),
        ]

    def __str__(self) -> str:
        return f"prior {self.row_id}"
