"""The outbox: one row for who, what, which day and by which way; and the web hooks it may go to."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.db.models import Q

from fleet.estate.scope import ScopedModel


class WebHook(ScopedModel):
    """Another program of the organisation that is called when something happens."""

    name = models.CharField(max_length=120)
    url = models.CharField(max_length=500)
    salt = models.CharField(
        max_length=64, help_text="The signing secret is derived from this and the program's"
    )
    kinds = models.JSONField(default=list, blank=True, help_text="Empty: everything")
    may_repeat = models.BooleanField(
        default=False,
        help_text="The receiver drops a repeated webhook-id, so unsure calls go again by themselves",
    )
    made_at = models.DateTimeField()
    failing_since = models.DateTimeField(null=True, blank=True)
    failures = models.PositiveIntegerField(default=0)
    last_words = models.CharField(max_length=300, blank=True)
    switched_off_at = models.DateTimeField(null=True, blank=True)
    switched_off_because = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["name"]
        constraints = [models.UniqueConstraint(fields=["organisation", "name"], name="web_hook_name_once")]

    def __str__(self) -> str:
        return self.name


class Delivery(ScopedModel):
    """One thing to be told to one person or program, once. `sending` is committed before the first byte leaves."""

    class Channel(models.TextChoices):
        MAIL = "mail", "e-mail"
        HOOK = "hook", "web hook"

    class State(models.TextChoices):
        WAITING = "waiting", "waiting"
        TAKEN = "taken", "being written"
        SENDING = "sending", "leaving"
        SENT = "sent", "sent"
        UNCERTAIN = "uncertain", "uncertain whether it left"
        GIVEN_UP = "given_up", "given up"
        NOT_TOLD = "not_told", "not told"

    person: Any = models.ForeignKey(
        "estate.Person", null=True, on_delete=models.CASCADE, related_name="deliveries"
    )
    hook = models.ForeignKey(WebHook, null=True, on_delete=models.CASCADE, related_name="deliveries")
    happening = models.ForeignKey("estate.Happening", null=True, on_delete=models.CASCADE, related_name="+")
    channel = models.CharField(max_length=8, choices=Channel.choices)
    what = models.CharField(max_length=120, help_text="digest, or alert:NUMBER, escalation:…, test:…")
    due_on = models.DateField()
    urgent = models.BooleanField(default=False)
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING)
    due_at = models.DateTimeField(help_text="Not before this instant; a new try moves it")
    attempts = models.PositiveSmallIntegerField(default=0)
    taken_times = models.PositiveSmallIntegerField(default=0)
    claim = models.UUIDField(null=True)
    claimed_until = models.DateTimeField(null=True)
    sending_at = models.DateTimeField(null=True)
    sent_at = models.DateTimeField(null=True)
    message_id = models.CharField(max_length=200)
    words = models.CharField(max_length=400, blank=True, help_text="The last answer, or why it was not told")
    settled_by = models.CharField(max_length=200, blank=True)
    created_at = models.DateTimeField()

    class Meta:
        ordering = ["-id"]
        verbose_name_plural = "deliveries"
        indexes = [
            models.Index(
                fields=["channel", "urgent", "due_at"],
                condition=Q(state__in=["waiting", "taken"]),
                name="delivery_due",
            ),
            models.Index(fields=["sending_at"], condition=Q(state="sending"), name="delivery_sending"),
            models.Index(fields=["organisation", "state", "-id"], name="delivery_state"),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["person", "what", "due_on", "channel"],
                condition=Q(person__isnull=False),
                name="told_a_person_once",
            ),
            models.UniqueConstraint(
                fields=["hook", "what", "due_on"], condition=Q(hook__isnull=False), name="told_a_hook_once"
            ),
            models.CheckConstraint(
                condition=Q(channel="mail", person__isnull=False, hook=None)
                | Q(channel="hook", hook__isnull=False, person=None),
                name="delivery_goes_to_one",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.what} of {self.due_on} to {self.person or self.hook}"
