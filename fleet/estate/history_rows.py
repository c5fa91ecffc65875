"""The append-only record of who changed what."""

from __future__ import annotations

from typing import Any

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models

from fleet.estate.scope import ScopedModel


class HistoryEntry(ScopedModel):
    property_path = "property"
    property = models.ForeignKey("estate.Property", null=True, on_delete=models.SET_NULL, related_name="+")
    at = models.DateTimeField(auto_now_add=True, db_index=True)
    person = models.ForeignKey("estate.Person", null=True, on_delete=models.SET_NULL, related_name="+")
    actor = models.CharField(max_length=200)
    verb = models.CharField(max_length=60)
    subject_kind = models.CharField(max_length=40)
    subject_id = models.BigIntegerField()
    subject_label = models.CharField(max_length=300)
    changes = models.JSONField(default=dict, encoder=DjangoJSONEncoder)
    reason = models.TextField(blank=True)

    class Meta:
        ordering = ["-at", "-id"]
        indexes = [models.Index(fields=["organisation", "subject_kind", "subject_id"])]

    def save(self, *args: Any, **kwargs: Any) -> None:
        if self.pk:
            raise TypeError("History is kept: write a new entry instead of changing one.")
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> tuple[int, dict[str, int]]:
        raise TypeError("History is kept: an entry cannot be deleted.")
