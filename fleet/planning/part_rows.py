"""The blocks of a large forecast: rows that workers claim, and what each block came to."""

from __future__ import annotations

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models

from fleet.estate.scope import ScopedModel


class ForecastPart(ScopedModel):
    """One block of whole properties of one run. Its groups' tables stay with it; the rest goes once it is joined."""

    run = models.ForeignKey("planning.ForecastRun", on_delete=models.CASCADE, related_name="parts")
    number = models.PositiveIntegerField()
    property_ids = models.JSONField()
    share = models.FloatField()
    question = models.BinaryField(null=True, help_text="Draws of the parameters")
    done = models.BooleanField(default=False)
    claim = models.UUIDField(null=True)
    claimed_until = models.DateTimeField(null=True)
    sums = models.BinaryField(null=True, help_text="What is added to the portfolio, by path")
    facts = models.JSONField(default=dict, encoder=DjangoJSONEncoder)
    figures = models.BinaryField(null=True, help_text="The years' figures of this part's own groups")
    tables = models.JSONField(
        default=dict, encoder=DjangoJSONEncoder, help_text="The same in parts of before 0.1.0"
    )
    places = models.BinaryField(
        null=True, help_text="A share of the heaters and their places among all, until these are written down"
    )
    inputs_digest = models.CharField(max_length=64, blank=True)
    result_digest = models.CharField(max_length=64, blank=True)

    class Meta:
        ordering = ["number"]
        constraints = [models.UniqueConstraint(fields=["run", "number"], name="one_part_a_number")]

    def __str__(self) -> str:
        return f"part {self.number} of forecast {self.run_id}"
