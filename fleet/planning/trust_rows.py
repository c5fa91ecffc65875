"""A check of the forecast against the record, kept with the run it speaks of."""

from __future__ import annotations

from datetime import date

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models

from fleet.estate.scope import ScopedModel


class TrustCheck(ScopedModel):
    """What earlier forecasts would have said and what happened; the last good one stays in use."""

    class State(models.TextChoices):
        WAITING = "waiting", "waiting"
        RUNNING = "running", "running"
        DONE = "done", "done"
        FAILED = "failed", "failed"
        CANCELLED = "cancelled", "called off"

    run = models.ForeignKey(
        "planning.ForecastRun", null=True, on_delete=models.SET_NULL, related_name="trust_checks"
    )
    as_of: models.DateField[date, date] = models.DateField()
    seed = models.PositiveIntegerField(default=1)
    draws = models.PositiveIntegerField(default=500)
    engine_version = models.CharField(max_length=40, blank=True)
    inputs_digest = models.CharField(max_length=64, blank=True)
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING)
    error = models.TextField(blank=True)
    result = models.JSONField(null=True, encoder=DjangoJSONEncoder)
    job = models.ForeignKey("estate.Job", null=True, on_delete=models.SET_NULL, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    finished_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-id"]
        indexes = [models.Index(fields=["organisation", "state", "-id"])]

    def __str__(self) -> str:
        return f"check of the forecast of {self.as_of}"
