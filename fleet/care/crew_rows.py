"""Crews: who goes together, how long a day is, and which licences they hold; and what a property asks of them."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.db.models import Q

from fleet.estate.scope import Level, ScopedModel


class Crew(ScopedModel):
    """People who go out together. A licence of one of them counts for the crew's visits."""

    name = models.CharField(max_length=80)
    minutes_a_day = models.PositiveSmallIntegerField(default=420)
    licences = models.JSONField(
        default=list, help_text="Codes of the licences held, such as licensed_plumber"
    )
    people: models.ManyToManyField[Any, Any] = models.ManyToManyField(
        "estate.Person", blank=True, related_name="crews"
    )

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(fields=["organisation", "name"], name="crew_name_once"),
            models.CheckConstraint(condition=Q(minutes_a_day__range=(30, 1440)), name="crew_day_possible"),
        ]

    def __str__(self) -> str:
        return self.name


class SiteCare(ScopedModel):
    """What a property asks: whether licences are checked before work is offered, and the card's languages."""

    property_path = "property"
    opened_at = Level.WORK
    property = models.OneToOneField("estate.Property", on_delete=models.CASCADE, related_name="site_care")
    licences_checked = models.BooleanField(default=True)
    languages = models.JSONField(default=list, help_text="Codes of the card's languages beside English")

    def __str__(self) -> str:
        return f"care at {self.property}"
