"""What somebody has to hear of: written with the change that caused it, told afterwards by the reminders room."""

from __future__ import annotations

from django.db import models

from fleet.estate.scope import Level, ScopedModel


class Happening(ScopedModel):
    """One row per thing that happened. The change and its notice are two rows of one transaction."""

    property_path = "property"
    opened_at = Level.WORK
    property = models.ForeignKey(
        "estate.Property", null=True, blank=True, on_delete=models.CASCADE, related_name="+"
    )
    kind = models.CharField(
        max_length=40, help_text="Such as unsafe_finding, leak_reported, contract_deadline"
    )
    key = models.CharField(max_length=200, help_text="The same thing reported again has the same key")
    sentence = models.CharField(max_length=300)
    address = models.CharField(max_length=300, blank=True, help_text="Path of the page that shows it")
    urgent = models.BooleanField(default=True)
    happened_at = models.DateTimeField()
    told_at = models.DateTimeField(null=True, help_text="When it was handed to those who must hear of it")

    taken_on_at = models.DateTimeField(null=True, help_text="When somebody said she acts, or it was settled")
    taken_on_by = models.ForeignKey("estate.Person", null=True, on_delete=models.SET_NULL, related_name="+")
    taken_on_words = models.CharField(max_length=300, blank=True)
    escalated_minutes = models.PositiveIntegerField(default=0, help_text="The last step of escalation taken")

    class Meta:
        ordering = ["-id"]
        indexes = [
            models.Index(fields=["id"], condition=models.Q(told_at=None), name="happening_not_told"),
            models.Index(
                fields=["organisation", "told_at"],
                condition=models.Q(urgent=True, taken_on_at=None, told_at__isnull=False),
                name="happening_nobody_acts",
            ),
        ]
        constraints = [
            models.UniqueConstraint(fields=["organisation", "kind", "key"], name="happening_once"),
        ]

    def __str__(self) -> str:
        return self.sentence
