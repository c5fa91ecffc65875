"""Access that an owner's organisation grants to a plumbing company: what is stored and can never be false."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.db.models import Q

from fleet.estate.scope import Level, ScopedModel


class CompanyCode(ScopedModel):
    """What a company gives to its client so that the client can name it. Nobody can look companies up."""

    code = models.CharField(max_length=16, unique=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["organisation"], name="one_code_a_company")]

    def __str__(self) -> str:
        return self.code


class AccessGrant(ScopedModel):
    """Some of the organisation's properties opened to a company. Never erased: it ends, or is revoked."""

    LEVELS = (
        (Level.SURVEY.value, "survey for an offer"),
        (Level.WORK.value, "work"),
        (Level.OUTLOOK.value, "work and outlook"),
    )

    company = models.ForeignKey("estate.Organisation", on_delete=models.CASCADE, related_name="+")
    properties: Any = models.ManyToManyField("estate.Property", related_name="+")
    level = models.PositiveSmallIntegerField(choices=LEVELS)
    until = models.DateField(null=True, blank=True, help_text="Its last day, in each property's time zone")
    granted_at = models.DateTimeField()
    granted_by = models.CharField(max_length=200)
    revoked_at = models.DateTimeField(null=True, blank=True)
    revoked_by = models.CharField(max_length=200, blank=True)
    reason = models.CharField(max_length=300, blank=True, help_text="Why it was revoked")

    class Meta:
        ordering = ["-id"]
        indexes = [models.Index(fields=["company"], condition=Q(revoked_at=None), name="grant_in_force")]
        constraints = [
            models.CheckConstraint(condition=Q(level__in=(1, 2, 3)), name="grant_level_known"),
            models.CheckConstraint(
                condition=~Q(level=1) | Q(until__isnull=False), name="survey_grant_has_an_end"
            ),
            models.CheckConstraint(condition=~Q(company=models.F("organisation")), name="grant_to_another"),
            models.CheckConstraint(
                condition=Q(revoked_at__isnull=True) | ~Q(revoked_by=""), name="grant_revoked_by_someone"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_level_display()} for {self.company}"  # type: ignore[attr-defined]
