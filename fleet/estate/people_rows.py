"""Invitations, the security log, and the tries at the door."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.db.models import Q
from django.utils import timezone

from fleet.estate.scope import ScopedModel

ROLES = [
    ("owner", "owner"),
    ("planner", "planner"),
    ("technician", "technician"),
    ("company", "company"),
    ("viewer", "viewer"),
]


class Invitation(ScopedModel):
    """An address invited into an organisation. The link is made from `nonce` and signed; it is not kept."""

    email = models.EmailField()
    role = models.CharField(max_length=12, choices=ROLES)
    all_properties = models.BooleanField(default=True)
    properties: models.ManyToManyField[Any, Any] = models.ManyToManyField(
        "estate.Property", blank=True, related_name="+"
    )
    nonce = models.CharField(max_length=43)
    made_by = models.ForeignKey("estate.Person", null=True, on_delete=models.SET_NULL, related_name="+")
    made_at = models.DateTimeField(auto_now_add=True)
    expires_at = models.DateTimeField()
    mailed_at = models.DateTimeField(
        null=True, help_text="When the mail left; empty: the link was handed over"
    )
    accepted_at = models.DateTimeField(null=True)
    withdrawn_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-made_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["organisation", "email"],
                condition=Q(accepted_at=None, withdrawn_at=None),
                name="one_open_invitation_each",
            )
        ]

    def __str__(self) -> str:
        return self.email

    @property
    def is_open(self) -> bool:
        return self.accepted_at is None and self.withdrawn_at is None and self.expires_at > timezone.now()


class SecurityEvent(ScopedModel):
    """What happened at an organisation's doors: for its owners, kept for a time that they set. Holds no secrets."""

    at = models.DateTimeField(auto_now_add=True, db_index=True)
    kind = models.CharField(max_length=40)
    person = models.ForeignKey("estate.Person", null=True, on_delete=models.SET_NULL, related_name="+")
    actor = models.CharField(max_length=200)
    words = models.CharField(max_length=300)
    address = models.CharField(max_length=45, blank=True, help_text="Network address it came from")

    class Meta:
        ordering = ["-at", "-id"]
        indexes = [models.Index(fields=["organisation", "-at"])]

    def __str__(self) -> str:
        return self.words


class RetentionRule(ScopedModel):
    """How long an organisation keeps one sort of thing."""

    what = models.CharField(max_length=40)
    days = models.PositiveIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["organisation", "what"], name="retention_once"),
            models.CheckConstraint(condition=Q(days__gte=1), name="retention_at_least_a_day"),
        ]

    def __str__(self) -> str:
        return f"{self.what}: {self.days} days"


class FormerAddress(models.Model):
    """An address that a person signed in with before: old entries may still name her by it."""

    person = models.ForeignKey("estate.Person", on_delete=models.CASCADE, related_name="+")
    email = models.EmailField()
    until = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["person", "email"], name="former_address_once")]

    def __str__(self) -> str:
        return self.email


class DoorTries(models.Model):
    """How often sign-in failed under one key, and until when the next try has to wait.

    Of no organisation: a try comes before anybody is known. The key is a keyed digest, so no address of a stranger
    and no e-mail is kept.
    """

    key = models.CharField(max_length=64, unique=True)
    failures = models.PositiveIntegerField(default=0)
    last_at = models.DateTimeField()
    free_at = models.DateTimeField()

    class Meta:
        indexes = [models.Index(fields=["last_at"])]

    def __str__(self) -> str:
        return f"{self.failures} failed"
