"""Tasks, visits, findings, unsafe findings, site settings: what is stored and what can never be false about it."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django.db import models
from django.db.models import F, Q

from fleet.care.crew_rows import Crew, SiteCare
from fleet.care.kinds import WORKERS, TaskKind, task_kinds
from fleet.care.phone_rows import SentEntry, TaskPhoto
from fleet.care.sum_rows import DueMark, DueSum
from fleet.estate.scope import Level, ScopedModel

__all__ = [
    "CareSetting",
    "CareStart",
    "Crew",
    "DueMark",
    "DueSum",
    "Finding",
    "Label",
    "LeakReport",
    "SentEntry",
    "SiteCare",
    "Task",
    "TaskPhoto",
    "UnsafeFinding",
    "Visit",
]


class CareSetting(ScopedModel):
    """A site's own interval, source and worker for one task kind, or that it is not done here."""

    property_path = "property"
    opened_at = Level.WORK
    property = models.ForeignKey("estate.Property", on_delete=models.CASCADE, related_name="care_settings")
    kind = models.CharField(max_length=40)
    interval_months = models.PositiveSmallIntegerField(null=True, blank=True)
    source = models.CharField(
        max_length=200, help_text="Where this comes from, such as a contract or local rule"
    )
    done_by = models.CharField(max_length=20, choices=list(WORKERS.items()), blank=True)
    switched_off = models.BooleanField(default=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["property", "kind"], name="one_care_setting_per_kind"),
            models.CheckConstraint(condition=~Q(source=""), name="care_setting_names_its_source"),
            models.CheckConstraint(
                condition=Q(interval_months__isnull=True) | Q(interval_months__range=(1, 240)),
                name="care_interval_possible",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} at {self.property}"


class CareStart(ScopedModel):
    """From when on one heater's care is kept here. What no record speaks of is laid out from this day."""

    property_path = "heater__position__building__property"
    opened_at = Level.WORK
    heater = models.OneToOneField("heaters.Heater", on_delete=models.CASCADE, related_name="care_start")
    began_on = models.DateField()

    def __str__(self) -> str:
        return f"{self.heater} since {self.began_on}"


class Visit(ScopedModel):
    """One trip of a crew to one building."""

    property_path = "building__property"
    opened_at = Level.WORK
    building = models.ForeignKey("estate.Building", on_delete=models.CASCADE, related_name="visits")
    day = models.DateField()
    crew = models.CharField(max_length=200, blank=True)
    team = models.ForeignKey(
        "care.Crew", null=True, blank=True, on_delete=models.SET_NULL, related_name="visits"
    )
    place_in_day = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="The order of the day's buildings, where set by hand"
    )
    note = models.TextField(blank=True)
    by_hand = models.BooleanField(default=False, help_text="A person set this day; planning leaves it alone")
    started_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["day", "id"]
        constraints = [
            models.UniqueConstraint(fields=["building", "day", "crew"], name="one_visit_a_day_per_crew"),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True) | Q(started_at__lte=F("ended_at")),
                name="visit_ends_after_start",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.building}, {self.day}"


class Task(ScopedModel):
    """One due instance of a task kind on one heater. `cycle` counts its rounds: one open task a kind and heater."""

    class State(models.TextChoices):
        OPEN = "open", "open"
        DONE = "done", "done"
        SKIPPED = "skipped", "left out"
        DROPPED = "dropped", "no longer needed"

    property_path = "building__property"
    opened_at = Level.WORK
    # Without indexes of their own: others begin with these columns, and tasks come by the hundred thousand.
    organisation = models.ForeignKey(
        "estate.Organisation", on_delete=models.CASCADE, related_name="+", db_index=False
    )
    heater = models.ForeignKey(
        "heaters.Heater", on_delete=models.CASCADE, related_name="tasks", db_index=False
    )
    # Its heater's building, kept here as well: the queue's sums are then read from one index. A place never moves.
    building = models.ForeignKey("estate.Building", on_delete=models.CASCADE, related_name="+")
    kind = models.CharField(max_length=40)
    cycle = models.PositiveIntegerField(default=1)
    due_on = models.DateField()
    window_days = models.PositiveSmallIntegerField(default=30)
    state = models.CharField(max_length=8, choices=State.choices, default=State.OPEN)
    rule = models.CharField(max_length=40, help_text="Which rule set the day")
    reason = models.CharField(max_length=400, help_text="The rule's sentence")
    caution = models.CharField(max_length=400, blank=True)
    overridden = models.BooleanField(default=False, help_text="A person set this day; rules leave it alone")
    closed_on = models.DateField(null=True, blank=True)
    closed_because = models.CharField(max_length=300, blank=True)
    stopped = models.BooleanField(default=False, help_text="Stopped by an unsafe finding")
    promised_by = models.DateField(
        null=True, blank=True, help_text="Promised to the client by this day; the rules move it no later"
    )
    promised_words = models.CharField(max_length=200, blank=True, help_text="Where the promise stands")
    missed_on = models.DateField(
        null=True, blank=True, help_text="The day on which a missed safety task was announced"
    )
    visit = models.ForeignKey(
        Visit, null=True, blank=True, on_delete=models.SET_NULL, related_name="tasks", db_index=False
    )

    class Meta:
        ordering = ["due_on", "id"]
        indexes = [
            models.Index(fields=["visit"], condition=Q(visit__isnull=False), name="task_of_a_visit"),
            models.Index(fields=["organisation", "id"], name="task_by_house"),
            models.Index(fields=["organisation", "state", "due_on"]),
            models.Index(
                fields=["organisation", "closed_on"],
                condition=Q(closed_on__isnull=False),
                name="task_closed_by_day",
            ),
            models.Index(
                fields=["organisation", "due_on", "building", "kind"],
                condition=Q(state="open"),
                name="task_due_by_building",
            ),
        ]
        constraints = [
            models.UniqueConstraint(fields=["heater", "kind", "cycle"], name="one_task_a_cycle"),
            models.UniqueConstraint(
                fields=["heater", "kind"], condition=Q(state="open"), name="one_open_task_a_kind"
            ),
            models.CheckConstraint(
                condition=Q(state="open", closed_on__isnull=True)
                | (~Q(state="open") & Q(closed_on__isnull=False)),
                name="closed_task_has_its_day",
            ),
            models.CheckConstraint(
                condition=~Q(state="skipped", closed_because=""), name="skipped_with_reason"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.task_kind.name}, {self.heater}"

    def save(self, *args: Any, **kwargs: Any) -> None:
        if self.building_id is None:
            self.building_id = self.heater.position.building_id
        super().save(*args, **kwargs)

    @property
    def task_kind(self) -> TaskKind:
        return task_kinds()[self.kind]

    @property
    def opens_on(self) -> date:
        return self.due_on - timedelta(days=self.window_days)

    @property
    def closes_on(self) -> date:
        return self.due_on + timedelta(days=self.window_days)

    @property
    def caution_count(self) -> int:
        return len(self.task_kind.cautions) + bool(self.caution)


class Finding(ScopedModel):
    """One thing seen, in a structured field. Corrected by a newer finding, never erased."""

    property_path = "heater__position__building__property"
    opened_at = Level.WORK
    task = models.ForeignKey(Task, on_delete=models.CASCADE, related_name="findings")
    heater = models.ForeignKey("heaters.Heater", on_delete=models.CASCADE, related_name="findings")
    name = models.CharField(max_length=60)
    number = models.FloatField(null=True, blank=True)
    words = models.CharField(max_length=500, blank=True)
    unit = models.CharField(max_length=20, blank=True)
    unsafe = models.BooleanField(default=False)
    seen_at = models.DateTimeField()
    seen_by: Any = models.ForeignKey("estate.Person", null=True, on_delete=models.SET_NULL, related_name="+")

    class Meta:
        ordering = ["-seen_at", "-id"]
        constraints = [
            models.UniqueConstraint(fields=["task", "name", "seen_at"], name="finding_once"),
            models.CheckConstraint(
                condition=Q(number__isnull=False) | ~Q(words=""), name="finding_says_something"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name}: {self.value}"

    @property
    def value(self) -> str:
        return self.words if self.number is None else f"{self.number:g} {self.unit}".strip()


class UnsafeFinding(ScopedModel):
    """An alert: while open the heater is out of service. Closed only with a named follow-up."""

    property_path = "heater__position__building__property"
    opened_at = Level.SURVEY
    heater = models.ForeignKey("heaters.Heater", on_delete=models.CASCADE, related_name="unsafe_findings")
    task = models.ForeignKey(Task, null=True, on_delete=models.SET_NULL, related_name="unsafe_findings")
    what = models.CharField(max_length=300)
    seen_at = models.DateTimeField()
    seen_by: Any = models.ForeignKey("estate.Person", null=True, on_delete=models.SET_NULL, related_name="+")
    follow_up = models.CharField(max_length=500, blank=True, help_text="What was done about it")
    follow_up_by = models.CharField(max_length=200, blank=True, help_text="Who did it, by name")
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by: Any = models.ForeignKey(
        "estate.Person", null=True, on_delete=models.SET_NULL, related_name="+"
    )

    class Meta:
        ordering = ["closed_at", "-seen_at"]
        constraints = [
            models.UniqueConstraint(fields=["task", "what", "seen_at"], name="unsafe_finding_once"),
            models.CheckConstraint(
                condition=Q(closed_at__isnull=True) | (~Q(follow_up="") & ~Q(follow_up_by="")),
                name="unsafe_closed_with_follow_up",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.what} at {self.heater}"


class Label(ScopedModel):
    """The code printed on one heater's label. Random and kept, so that a printed label works for years."""

    property_path = "heater__position__building__property"
    opened_at = Level.WORK
    heater = models.OneToOneField("heaters.Heater", on_delete=models.CASCADE, related_name="label")
    code = models.CharField(max_length=12, unique=True)

    def __str__(self) -> str:
        return self.code


class LeakReport(ScopedModel):
    """What someone who scanned a label reported. No name is asked for, none is kept."""

    property_path = "heater__position__building__property"
    opened_at = Level.WORK
    heater = models.ForeignKey("heaters.Heater", on_delete=models.CASCADE, related_name="leak_reports")
    words = models.CharField(max_length=300, blank=True)
    photo = models.ForeignKey(
        "heaters.Attachment", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    reported_at = models.DateTimeField()
    answered_at = models.DateTimeField(null=True, blank=True)
    answered_by: Any = models.ForeignKey(
        "estate.Person", null=True, on_delete=models.SET_NULL, related_name="+"
    )
    answer = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["answered_at", "-reported_at"]
        constraints = [
            models.CheckConstraint(
                condition=Q(answered_at__isnull=True) | ~Q(answer=""), name="leak_answered_with_words"
            )
        ]

    def __str__(self) -> str:
        return f"leak reported at {self.heater}"
