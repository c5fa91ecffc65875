"""A look back at one fiscal year of a plan: what it said, what happened. Kept for ever, even without its plan."""

from __future__ import annotations

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models

from fleet.estate.scope import ScopedModel

__all__ = ["PlanReview"]


class PlanReview(ScopedModel):
    """Never changed once written: a look with other bills is another row."""

    plan = models.ForeignKey(
        "planning.CapitalPlan", null=True, on_delete=models.SET_NULL, related_name="reviews"
    )
    label = models.CharField(max_length=40, help_text="The fiscal year looked back at")
    first_day = models.DateField()
    last_day = models.DateField()
    content = models.JSONField(encoder=DjangoJSONEncoder)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-last_day", "-id"]

    def __str__(self) -> str:
        return f"look back at {self.label}"
