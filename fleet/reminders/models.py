"""Who hears of what, when and by which way: wishes, the outbox, the inbox, web hooks, feeds, escalation."""

from __future__ import annotations

import uuid
from typing import Any

from django.db import models
from django.db.models import Q

from fleet.estate.scope import Level, ScopedModel
from fleet.pages.words import a_wait
from fleet.reminders.outbox_rows import Delivery, WebHook

__all__ = [
    "CalendarEntry",
    "CalendarFeed",
    "Correspondent",
    "Delivery",
    "EscalationRule",
    "InboxNote",
    "Preference",
    "WebHook",
]


class Correspondent(models.Model):
    """What holds for a person across organisations: her next digest (one mail a day), and what she stopped."""

    person = models.OneToOneField("estate.Person", on_delete=models.CASCADE, related_name="correspondent")
    next_on = models.DateField(null=True)
    next_at = models.DateTimeField(null=True)
    last_on = models.DateField(null=True)
    last_at = models.DateTimeField(null=True)
    look_again = models.BooleanField(default=True, help_text="Her wishes or her properties changed")
    digests_stopped_at = models.DateTimeField(null=True, blank=True)
    alerts_stopped_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        indexes = [
            models.Index(fields=["next_at"], condition=Q(next_at__isnull=False), name="digest_due"),
            models.Index(fields=["id"], condition=Q(look_again=True), name="digest_look_again"),
        ]

    def __str__(self) -> str:
        return str(self.person)


class Preference(ScopedModel):
    """How one person wants to hear of one property, or (without one) of all the others."""

    class Rhythm(models.TextChoices):
        NONE = "none", "no digest"
        DAILY = "daily", "each day"
        WEEKLY = "weekly", "once a week"
        MONTHLY = "monthly", "a week before the monthly budget date"

    person: Any = models.ForeignKey("estate.Person", on_delete=models.CASCADE, related_name="preferences")
    property = models.ForeignKey(
        "estate.Property", null=True, blank=True, on_delete=models.CASCADE, related_name="+"
    )
    rhythm = models.CharField(max_length=8, choices=Rhythm.choices)
    hour = models.PositiveSmallIntegerField(default=7, help_text="Full hour of the property's clock")
    weekday = models.PositiveSmallIntegerField(default=0, help_text="0 is Monday")
    budget_day = models.PositiveSmallIntegerField(default=15, help_text="Day of the month, 1 to 28")
    quiet_from = models.PositiveSmallIntegerField(default=20)
    quiet_until = models.PositiveSmallIntegerField(default=6)
    alerts_by_mail = models.BooleanField(default=True)
    alerts_wait = models.BooleanField(default=False, help_text="Alerts too wait until quiet hours are over")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["person", "organisation"],
                condition=Q(property=None),
                name="one_general_preference",
            ),
            models.UniqueConstraint(
                fields=["person", "organisation", "property"],
                condition=Q(property__isnull=False),
                name="one_preference_a_property",
            ),
            models.CheckConstraint(
                condition=Q(hour__lte=23)
                & Q(quiet_from__lte=23)
                & Q(quiet_until__lte=23)
                & Q(weekday__lte=6)
                & Q(budget_day__range=(1, 28)),
                name="preference_times_possible",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person}, {self.property or 'all others'}"


class InboxNote(ScopedModel):
    """One person's note of one happening. Seen only while its property is in her scope."""

    property_path = "property"
    opened_at = Level.WORK
    person: Any = models.ForeignKey("estate.Person", on_delete=models.CASCADE, related_name="+")
    property = models.ForeignKey("estate.Property", null=True, on_delete=models.CASCADE, related_name="+")
    happening = models.ForeignKey("estate.Happening", on_delete=models.CASCADE, related_name="notes")
    escalated = models.BooleanField(default=False, help_text="Told because nobody acted")
    created_at = models.DateTimeField()
    read_at = models.DateTimeField(null=True)
    mailed_on = models.DateField(null=True, help_text="The day of the digest that held it")

    class Meta:
        ordering = ["-created_at", "-id"]
        indexes = [models.Index(fields=["person", "-created_at"])]
        constraints = [models.UniqueConstraint(fields=["person", "happening"], name="one_note_a_happening")]

    def __str__(self) -> str:
        return f"note of {self.happening}"


class EscalationRule(ScopedModel):
    """When nobody takes an alert on: who hears of it next, after how long."""

    property_path = "property"
    property = models.ForeignKey(
        "estate.Property", null=True, blank=True, on_delete=models.CASCADE, related_name="+"
    )
    kind = models.CharField(max_length=40, blank=True, help_text="Empty: every urgent kind")
    after_minutes = models.PositiveIntegerField()
    person: Any = models.ForeignKey("estate.Person", on_delete=models.CASCADE, related_name="+")

    class Meta:
        ordering = ["after_minutes", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(after_minutes__range=(5, 60 * 24 * 30)), name="escalation_delay_possible"
            ),
        ]

    def __str__(self) -> str:
        return f"after {a_wait(self.after_minutes)} to {self.person}"


class CalendarFeed(ScopedModel):
    """A person's secret calendar address in one organisation. Only a digest of the secret is kept."""

    person: Any = models.ForeignKey("estate.Person", on_delete=models.CASCADE, related_name="+")
    secret_digest = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    read_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["person", "organisation"], name="one_feed_a_person")]

    def __str__(self) -> str:
        return f"calendar of {self.person}"


class CalendarEntry(ScopedModel):
    """What calendars were last told of one visit or building's day: its version counts up with each change."""

    property_path = "property"
    opened_at = Level.WORK
    property = models.ForeignKey("estate.Property", on_delete=models.CASCADE, related_name="+")
    uid = models.UUIDField(default=uuid.uuid4, unique=True)
    name = models.CharField(max_length=80, help_text="Such as visit-12: what it stands for")
    day = models.DateField()
    title = models.CharField(max_length=300)
    digest = models.CharField(max_length=64)
    version = models.PositiveIntegerField(default=0)
    cancelled = models.BooleanField(default=False)
    changed_at = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["organisation", "name"], name="one_calendar_entry")]
        indexes = [models.Index(fields=["organisation", "day"])]

    def __str__(self) -> str:
        return self.name
