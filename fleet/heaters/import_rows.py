"""What an import leaves behind: the batch with its counts, and the headings a person has mended."""

from __future__ import annotations

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models

from fleet.estate.scope import ScopedModel


class ImportBatch(ScopedModel):
    class State(models.TextChoices):
        UPLOADED = "uploaded", "uploaded"
        PREVIEWED = "previewed", "previewed"
        TAKEN = "taken", "taken in"
        FAILED = "failed", "failed"

    file_name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64)
    size_bytes = models.PositiveIntegerField()
    stored = models.CharField(max_length=300, blank=True, help_text="Path below the files folder")
    columns = models.JSONField(default=dict, help_text="sheet -> heading -> field")
    date_order = models.CharField(max_length=4, blank=True)
    all_or_nothing = models.BooleanField(default=False)
    state = models.CharField(max_length=10, choices=State.choices, default=State.UPLOADED)
    preview = models.JSONField(default=dict, encoder=DjangoJSONEncoder)
    counts = models.JSONField(default=dict)
    created_at = models.DateTimeField(auto_now_add=True)
    person = models.ForeignKey("estate.Person", null=True, on_delete=models.SET_NULL, related_name="+")
    job = models.ForeignKey("estate.Job", null=True, on_delete=models.SET_NULL, related_name="+")

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return self.file_name


class RememberedHeading(ScopedModel):
    """A heading a person has matched to a field; used for the next file of the same organisation."""

    sheet_kind = models.CharField(max_length=20)
    heading = models.CharField(max_length=200)
    field = models.CharField(max_length=60, blank=True, help_text="Empty: leave this column out")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["organisation", "sheet_kind", "heading"], name="heading_remembered_once"
            )
        ]

    def __str__(self) -> str:
        return self.heading
