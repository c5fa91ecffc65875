"""What a person has chosen about her pages: how she reads, and lists that she comes back to."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from fleet.estate.scope import ScopedModel


class ReadingHabit(models.Model):
    """How one person reads. Not scoped: it belongs to the person, in whatever organisation she looks."""

    class Units(models.TextChoices):
        US = "us", "US customary: gal, °F, psi, in"
        METRIC = "metric", "metric: L, °C, kPa, cm"

    class Days(models.TextChoices):
        WORDS = "words", "3 May 2026"
        US = "us", "05/03/2026 (month first)"
        ISO = "iso", "2026-05-03"

    class Colours(models.TextChoices):
        SYSTEM = "system", "as the device says"
        LIGHT = "light", "light"
        DARK = "dark", "dark"

    person = models.OneToOneField(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    units = models.CharField("units", max_length=8, choices=Units.choices, default=Units.US)
    days = models.CharField("days", max_length=8, choices=Days.choices, default=Days.WORDS)
    colours = models.CharField("colours", max_length=8, choices=Colours.choices, default=Colours.SYSTEM)
    strong_contrast = models.BooleanField("stronger contrast", default=False)
    keys = models.BooleanField("single keys as shortcuts", default=True)

    def __str__(self) -> str:
        return f"reading habit of {self.person}"


class KeptList(ScopedModel):
    """A list with its filters under a name of the person's own."""

    property_path = None
    person = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    name = models.CharField(max_length=80)
    query = models.CharField(max_length=1000, blank=True)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(fields=["organisation", "person", "name"], name="kept_list_name_once")
        ]

    def __str__(self) -> str:
        return self.name
