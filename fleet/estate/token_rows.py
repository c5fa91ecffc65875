"""Tokens for other programs: only the digest of the secret is kept, so a stolen database opens no door."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.db.models import Q
from django.utils import timezone

from fleet.estate.scope import ScopedModel


class AccessToken(ScopedModel):
    """A personal token acts as its person and dies with the membership; a service token acts as itself."""

    class Kind(models.TextChoices):
        PERSONAL = "personal", "personal"
        SERVICE = "service", "service"

    kind = models.CharField(max_length=8, choices=Kind.choices)
    name = models.CharField(max_length=100, help_text="What it is for")
    digest = models.CharField(max_length=64, unique=True, help_text="SHA-256 of the secret")
    ending = models.CharField(max_length=4, help_text="Last letters of the secret, to tell tokens apart")
    person = models.ForeignKey("estate.Person", null=True, on_delete=models.CASCADE, related_name="+")
    made_by = models.ForeignKey("estate.Person", null=True, on_delete=models.SET_NULL, related_name="+")
    needs = models.JSONField(default=list, help_text="What it may do: read, work, plan, admin")
    second_factor = models.BooleanField(
        default=False, db_default=False, help_text="Its maker had passed a second factor"
    )
    all_properties = models.BooleanField(default=True)
    properties: models.ManyToManyField[Any, Any] = models.ManyToManyField(
        "estate.Property", blank=True, related_name="+"
    )
    created_at = models.DateTimeField(auto_now_add=True)
    expires_at = models.DateTimeField()
    last_used_at = models.DateTimeField(null=True)
    revoked_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind="service", person__isnull=True) | Q(kind="personal", person__isnull=False),
                name="personal_token_has_its_person",
            )
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def is_good(self) -> bool:
        return self.revoked_at is None and self.expires_at > timezone.now()
