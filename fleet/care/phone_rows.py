"""What phones send: one row an entry, kept with its result, so that a batch sent twice is applied once."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.db.models import Q

from fleet.estate.scope import Level, ScopedModel


class SentEntry(ScopedModel):
    """One entry made on a phone. Its key is made there; the row stands whether the entry was applied or not."""

    class Kind(models.TextChoices):
        DONE = "done", "work done"
        UNSAFE = "unsafe", "something unsafe"
        LEFT_OUT = "left_out", "left out"
        STARTED = "started", "visit begun"
        ENDED = "ended", "visit ended"
        PHOTO = "photo", "photo"

    class Result(models.TextChoices):
        KEPT = "kept", "kept"
        STOPPED = "stopped", "kept, the task is stopped"
        NOTED = "noted", "kept, but the office had changed something"
        DECIDE = "decide", "waits for a person"
        REFUSED = "refused", "could not be used"

    property_path = "property"
    opened_at = Level.WORK
    property = models.ForeignKey("estate.Property", null=True, on_delete=models.CASCADE, related_name="+")
    key = models.UUIDField(unique=True, help_text="Made on the phone")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    person: Any = models.ForeignKey("estate.Person", null=True, on_delete=models.SET_NULL, related_name="+")
    task = models.ForeignKey("care.Task", null=True, on_delete=models.SET_NULL, related_name="sent_entries")
    visit = models.ForeignKey("care.Visit", null=True, on_delete=models.SET_NULL, related_name="sent_entries")
    sent = models.JSONField(help_text="As it came")
    claimed_at = models.DateTimeField(null=True, help_text="The time by the phone's clock")
    worked_at = models.DateTimeField(help_text="The time that counts, after the phone's clock was corrected")
    clock_words = models.CharField(max_length=200, blank=True)
    received_at = models.DateTimeField()
    result = models.CharField(max_length=8, choices=Result.choices)
    words = models.CharField(max_length=600, blank=True)
    both = models.JSONField(default=list, help_text="Rows of label, value on record, value of the phone")
    settled_at = models.DateTimeField(null=True)
    settled_by: Any = models.ForeignKey(
        "estate.Person", null=True, on_delete=models.SET_NULL, related_name="+"
    )
    settlement = models.CharField(max_length=400, blank=True)

    class Meta:
        ordering = ["-id"]
        indexes = [
            models.Index(
                fields=["organisation"],
                condition=Q(result__in=["decide", "noted"], settled_at=None),
                name="sent_entry_waits",
            )
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(settled_at__isnull=True) | ~Q(settlement=""), name="sent_entry_settled_with_words"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, sent {self.received_at:%Y-%m-%d %H:%M}"

    def waits(self) -> bool:
        return self.result in {self.Result.DECIDE, self.Result.NOTED} and self.settled_at is None


class TaskPhoto(ScopedModel):
    """A photo taken at a task. The picture itself is an attachment of the heater, drawn anew without its place."""

    property_path = "task__heater__position__building__property"
    opened_at = Level.WORK
    task = models.ForeignKey("care.Task", on_delete=models.CASCADE, related_name="photos")
    attachment = models.ForeignKey("heaters.Attachment", on_delete=models.CASCADE, related_name="+")
    shows = models.CharField(max_length=200, blank=True)
    taken_at = models.DateTimeField()

    class Meta:
        ordering = ["taken_at", "id"]
        constraints = [
            models.UniqueConstraint(fields=["task", "attachment"], name="photo_once_a_task"),
        ]

    def __str__(self) -> str:
        return f"photo of {self.task}"
