"""What is on record at each property and what is missing there, counted once and kept; and which properties changed since."""

from __future__ import annotations

from django.db import models

from fleet.estate.mark_rows import Mark
from fleet.estate.scope import Level, ScopedModel


class RecordSum(ScopedModel):
    """One property's heaters by age and what its record lacks. Believed while the property bears no mark.

    `ages` does not depend on the day: it holds the bounds of each age's first day. `lacking` was looked at on a day.
    """

    property_path = "property"
    opened_at = Level.SURVEY
    property = models.OneToOneField(
        "estate.Property", on_delete=models.CASCADE, primary_key=True, related_name="+"
    )
    counted_by = models.CharField(max_length=12, help_text="Digest of the kinds and questions in force")
    heaters = models.PositiveIntegerField(help_text="In service")
    ages = models.BinaryField(help_text="Of each heater in service: kind, earliest and latest first day")
    looked_on = models.DateField()
    standing = models.PositiveIntegerField(help_text="In service by what was known on the day of looking")
    lacking = models.BinaryField(
        help_text="For each question: heaters, buildings, squares of heaters by building"
    )
    undated = models.PositiveIntegerField(help_text="Ended, with no date of ending")
    uncaused = models.PositiveIntegerField(help_text="Removed without a cause")
    unnumbered = models.PositiveIntegerField(help_text="In service without a serial number")

    def __str__(self) -> str:
        return f"record of {self.property_id}"


class RecordMark(Mark):
    """A property whose record changed since it was counted."""

    property_path = "property"
    opened_at = Level.SURVEY
    property = models.ForeignKey(
        "estate.Property", on_delete=models.DO_NOTHING, related_name="+", db_constraint=False
    )

    def __str__(self) -> str:
        return f"changed at {self.property_id}"
