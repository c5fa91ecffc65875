"""What marks of all kinds of place have in common (`marks.py`)."""

from __future__ import annotations

from django.db import models

from fleet.estate.scope import ScopedModel


class Mark(ScopedModel):
    """A place that changed since its sums were counted. Written by triggers alone.

    Without constraints: a mark may outlive what it speaks of until it is counted.
    """

    organisation = models.ForeignKey(
        "estate.Organisation", on_delete=models.CASCADE, related_name="+", db_constraint=False
    )

    class Meta:
        abstract = True
