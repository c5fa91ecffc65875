"""A background job as a row: the truth that a lost or doubled queue message cannot change."""

from __future__ import annotations

from typing import ClassVar

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models
from django.db.models import Q

from fleet.estate.scope import ScopedModel


class Job(ScopedModel):
    class State(models.TextChoices):
        WAITING = "waiting", "waiting"
        RUNNING = "running", "running"
        DONE = "done", "done"
        GIVEN_UP = "given_up", "given up"
        CANCELLED = "cancelled", "cancelled"

    OPEN: ClassVar = (State.WAITING, State.RUNNING)
    kind = models.CharField(max_length=60)
    payload = models.JSONField(default=dict, encoder=DjangoJSONEncoder)
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING)
    unique_key = models.CharField(max_length=200, blank=True)
    run_after = models.DateTimeField()
    attempts = models.PositiveSmallIntegerField(default=0)
    claim = models.UUIDField(null=True)
    claimed_until = models.DateTimeField(null=True)
    cancel_wanted = models.BooleanField(default=False)
    fraction = models.FloatField(default=0)
    words = models.CharField(max_length=300, blank=True)
    result = models.JSONField(null=True, encoder=DjangoJSONEncoder)
    error = models.TextField(blank=True)
    asked_by = models.ForeignKey("estate.Person", null=True, on_delete=models.SET_NULL, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    finished_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-id"]
        indexes = [models.Index(fields=["state", "run_after"])]
        constraints = [
            models.UniqueConstraint(
                fields=["organisation", "kind", "unique_key"],
                condition=Q(state__in=["waiting", "running"]) & ~Q(unique_key=""),
                name="one_open_job_per_key",
            )
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.pk}"

    @property
    def is_open(self) -> bool:
        return self.state in self.OPEN

    @property
    def percent(self) -> int:
        return round(100 * self.fraction)

    @property
    def in_words(self) -> str:
        """Of an open one: how far it is."""
        if self.cancel_wanted:
            return "Being called off."
        if self.state == self.State.RUNNING:
            return f"Running: {self.words}." if self.words else "Running."
        tries = f"; {self.attempts} {'try' if self.attempts == 1 else 'tries'} used" if self.attempts else ""
        return f"Waiting for its turn{tries}."
