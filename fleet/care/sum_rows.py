"""What is due in each building, counted once and kept; and which buildings have changed since."""

from __future__ import annotations

from django.db import models

from fleet.estate.mark_rows import Mark
from fleet.estate.scope import Level, ScopedModel

HORIZONS = (14, 30, 60, 120, 365)  # days ahead; what is asked for further or in between is counted afresh


class DueSum(ScopedModel):
    """The open tasks of one building as of a day. Believed while the building bears no mark; never shown by itself."""

    property_path = "building__property"
    opened_at = Level.WORK
    building = models.OneToOneField(
        "estate.Building", on_delete=models.CASCADE, primary_key=True, related_name="+"
    )
    as_of = models.DateField()
    counted_by = models.CharField(max_length=12, help_text="Digest of the minutes and safety marks in force")
    earliest = models.DateField(help_text="The first due day of all open tasks")
    late = models.PositiveIntegerField()
    late_safety = models.PositiveIntegerField()
    tasks_14 = models.PositiveIntegerField()
    tasks_30 = models.PositiveIntegerField()
    tasks_60 = models.PositiveIntegerField()
    tasks_120 = models.PositiveIntegerField()
    tasks_365 = models.PositiveIntegerField()
    minutes_14 = models.PositiveIntegerField()
    minutes_30 = models.PositiveIntegerField()
    minutes_60 = models.PositiveIntegerField()
    minutes_120 = models.PositiveIntegerField()
    minutes_365 = models.PositiveIntegerField()

    class Meta:
        indexes = [
            models.Index(
                models.F("organisation"), models.F("late_safety").desc(), models.F("earliest"), models.F("building"),
                name="due_most_pressing",
            )
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"due at {self.building_id} as of {self.as_of}"


class DueMark(Mark):
    """A building whose open tasks changed since they were counted."""

    property_path = "building__property"
    opened_at = Level.WORK
    building = models.ForeignKey(
        "estate.Building", on_delete=models.DO_NOTHING, related_name="+", db_constraint=False
    )

    def __str__(self) -> str:
        return f"changed at {self.building_id}"
