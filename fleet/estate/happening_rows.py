"""What somebody has to hear of: written with the change that caused it, told afterwards by the reminders room."""

from __future__ import annotations

from django.db import models

from fleet.estate.scope import ScopedModel


class Happening(ScopedModel):
    """One row per thing that happened. The change and its notice are two rows of one transaction."""

    property_path = "property"
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

    class Meta:
        ordering = ["-id"]
        indexes = [models.Index(fields=["id"], condition=models.Q(told_at=None), name="happening_not_told")]
        constraints = [
            models.UniqueConstraint(fields=["organisation", "kind", "key"], name="happening_once"),
        ]

    def __str__(self) -> str:
        return self.sentence
