"""A report for the owners' meeting, kept with its plan, and the links by which it is shared."""

from __future__ import annotations

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models

from fleet.estate.scope import ScopedModel

__all__ = ["PlanReport", "SharedLink"]


class PlanReport(ScopedModel):
    """What was said of a plan on a day: its content, and the two files made from it. Never changed once made."""

    class State(models.TextChoices):
        WAITING = "waiting", "waiting"
        RUNNING = "running", "running"
        DONE = "done", "done"
        FAILED = "failed", "failed"

    plan = models.ForeignKey("planning.CapitalPlan", on_delete=models.CASCADE, related_name="reports")
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING)
    error = models.TextField(blank=True)
    content = models.JSONField(null=True, encoder=DjangoJSONEncoder)
    pdf = models.BinaryField(null=True)
    xlsx = models.BinaryField(null=True)
    job = models.ForeignKey("estate.Job", null=True, on_delete=models.SET_NULL, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    finished_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"report on {self.plan}"


class SharedLink(ScopedModel):
    """One link to one report: read only, until a moment, revoked at will. Only a digest of its key is kept."""

    report = models.ForeignKey(PlanReport, on_delete=models.CASCADE, related_name="links")
    key_digest = models.CharField(max_length=64, unique=True)
    words = models.CharField(max_length=120, blank=True, help_text="For whom, in the planner's own words")
    created_at = models.DateTimeField(auto_now_add=True)
    expires_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True, blank=True)
    opened = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"link to {self.report}"
