"""Organisations, people, properties, buildings, positions: what is stored and can never be false about it."""

from __future__ import annotations

import zoneinfo
from typing import Any

from django.contrib.auth.models import AbstractBaseUser, BaseUserManager, PermissionsMixin
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q

from fleet.estate.background_rows import Job
from fleet.estate.grant_rows import AccessGrant, CompanyCode
from fleet.estate.happening_rows import Happening
from fleet.estate.history_rows import HistoryEntry
from fleet.estate.leases import Lease
from fleet.estate.people_rows import DoorTries, FormerAddress, Invitation, RetentionRule, SecurityEvent
from fleet.estate.scope import Level, ScopedModel
from fleet.estate.token_rows import AccessToken

__all__ = [
    "AccessGrant",
    "AccessToken",
    "Building",
    "CompanyCode",
    "DoorTries",
    "FormerAddress",
    "Happening",
    "HistoryEntry",
    "Invitation",
    "Job",
    "Lease",
    "Membership",
    "Organisation",
    "Person",
    "Position",
    "Property",
    "RetentionRule",
    "SecurityEvent",
]


def check_time_zone(name: str) -> None:
    if name not in zoneinfo.available_timezones():
        raise ValidationError(f"{name!r} is not a time zone of the IANA database, such as America/Denver.")


class Organisation(models.Model):
    """An owner of heaters or a plumbing company. Not itself scoped: people reach it by membership."""

    class Kind(models.TextChoices):
        OWNER = "owner", "owner of heaters"
        COMPANY = "company", "plumbing company"

    name = models.CharField(max_length=200, unique=True)
    kind = models.CharField(max_length=10, choices=Kind.choices, default=Kind.OWNER)
    invented = models.BooleanField(default=False, help_text="Demonstration data, made up")
    calendar_stands_at = models.DateField(
        null=True, blank=True, help_text="Demonstration only: the day that its invented record ends"
    )
    second_factor_required = models.BooleanField(
        default=False, help_text="Nobody works in this organisation without a second factor"
    )
    created_at = models.DateTimeField(auto_now_add=True)

    def __str__(self) -> str:
        return self.name


class PersonManager(BaseUserManager["Person"]):
    def create_user(self, email: str, password: str | None = None, **fields: Any) -> Person:
        if not email:
            raise ValueError("A person signs in with an e-mail address.")
        person = self.model(email=self.normalize_email(email).lower(), **fields)
        person.set_password(password)
        person.save()
        return person

    def create_superuser(self, email: str, password: str | None = None, **fields: Any) -> Person:
        return self.create_user(email, password, is_staff=True, is_superuser=True, **fields)

    def get_by_natural_key(self, username: str | None) -> Person:
        return self.get(email=(username or "").lower())


class Person(AbstractBaseUser, PermissionsMixin):
    email = models.EmailField(unique=True)
    name = models.CharField(max_length=200, blank=True)
    is_active = models.BooleanField(default=True)
    is_staff = models.BooleanField(default=False, help_text="Operates this installation")
    created_at = models.DateTimeField(auto_now_add=True)
    objects = PersonManager()
    USERNAME_FIELD = "email"

    def __str__(self) -> str:
        return self.name or self.email


class Membership(models.Model):
    class Role(models.TextChoices):
        OWNER = "owner", "owner"
        PLANNER = "planner", "planner"
        TECHNICIAN = "technician", "technician"
        COMPANY = "company", "company"
        VIEWER = "viewer", "viewer"

    organisation = models.ForeignKey(Organisation, on_delete=models.CASCADE, related_name="memberships")
    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="memberships")
    role = models.CharField(max_length=12, choices=Role.choices)
    all_properties = models.BooleanField(default=True)
    properties: models.ManyToManyField[Property, Any] = models.ManyToManyField(
        "Property", blank=True, related_name="+"
    )

    class Meta:
        constraints = [models.UniqueConstraint(fields=["organisation", "person"], name="one_membership_each")]


class Property(ScopedModel):
    property_path = "id"
    opened_at = Level.SURVEY

    class CodeFamily(models.TextChoices):
        UNKNOWN = "", "not known"
        IPC = "ipc", "International Plumbing Code family"
        UPC = "upc", "Uniform Plumbing Code family"
        OTHER = "other", "another code"

    name = models.CharField(max_length=200)
    address = models.CharField(max_length=300, blank=True)
    time_zone = models.CharField(max_length=64, default="UTC", validators=[check_time_zone])
    fiscal_year_start_month = models.PositiveSmallIntegerField(default=1)
    currency = models.CharField(max_length=3, default="USD")
    code_family = models.CharField(max_length=8, choices=CodeFamily.choices, blank=True)
    records_since = models.DateField(
        null=True, blank=True, help_text="From this day on every ending here was written down"
    )
    emergency_contact = models.CharField(max_length=200, blank=True)
    latitude = models.FloatField(null=True, blank=True, help_text="Degrees north, WGS 84")
    longitude = models.FloatField(null=True, blank=True, help_text="Degrees east, WGS 84")

    class Meta:
        ordering = ["name"]
        verbose_name_plural = "properties"
        constraints = [
            models.UniqueConstraint(fields=["organisation", "name"], name="property_name_once"),
            models.CheckConstraint(
                condition=Q(fiscal_year_start_month__range=(1, 12)), name="fiscal_month_1_12"
            ),
            models.CheckConstraint(
                condition=(Q(latitude__isnull=True) | Q(latitude__range=(-90, 90)))
                & (Q(longitude__isnull=True) | Q(longitude__range=(-180, 180))),
                name="place_on_earth",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Building(ScopedModel):
    property_path = "property"
    opened_at = Level.SURVEY
    property = models.ForeignKey(Property, on_delete=models.CASCADE, related_name="buildings")
    name = models.CharField(max_length=200)
    year_built = models.PositiveSmallIntegerField(null=True, blank=True)
    units_served = models.PositiveIntegerField(null=True, blank=True, help_text="Homes served")
    softened_since = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["property__name", "name"]
        constraints = [
            models.UniqueConstraint(fields=["property", "name"], name="building_name_once"),
            models.CheckConstraint(
                condition=Q(year_built__isnull=True) | Q(year_built__range=(1600, 2200)),
                name="year_built_possible",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Position(ScopedModel):
    """The place where a heater stands, and goes on standing when the unit is changed."""

    property_path = "building__property"
    opened_at = Level.SURVEY

    class Below(models.TextChoices):
        UNKNOWN = "", "not known"
        GROUND = "ground", "ground, crawl space or garage"
        UNFINISHED = "unfinished", "unfinished space"
        FINISHED = "finished", "finished, occupied space"

    organisation = models.ForeignKey(  # the index by house begins with it
        "estate.Organisation", on_delete=models.CASCADE, related_name="+", db_index=False
    )
    building = models.ForeignKey(  # the index of `position_label_once` begins with it
        Building, on_delete=models.CASCADE, related_name="positions", db_index=False
    )
    label = models.CharField(max_length=200)
    floor = models.CharField(max_length=40, blank=True)
    room = models.CharField(max_length=120, blank=True)
    below = models.CharField(max_length=12, choices=Below.choices, blank=True)
    has_pan = models.BooleanField(null=True, blank=True)
    has_drain = models.BooleanField(null=True, blank=True)
    has_leak_alarm = models.BooleanField(null=True, blank=True)
    has_shutoff_valve = models.BooleanField(null=True, blank=True)
    closed_system = models.BooleanField(null=True, blank=True)
    has_expansion_tank = models.BooleanField(null=True, blank=True)
    static_pressure_psi = models.FloatField(null=True, blank=True)
    seismic_zone = models.CharField(max_length=20, blank=True)
    clear_height_in = models.FloatField(null=True, blank=True)
    clear_width_in = models.FloatField(null=True, blank=True)
    clear_depth_in = models.FloatField(null=True, blank=True)
    room_volume_ft3 = models.FloatField(null=True, blank=True, help_text="Air that a heat pump can draw on")
    hard_access = models.BooleanField(null=True, blank=True)
    has_mixing_valve = models.BooleanField(null=True, blank=True)
    has_sediment_trap = models.BooleanField(null=True, blank=True)
    has_seismic_straps = models.BooleanField(null=True, blank=True)
    vent_lined = models.BooleanField(null=True, blank=True)
    has_240v_circuit = models.BooleanField(null=True, blank=True)

    class Meta:
        ordering = ["building__property__name", "building__name", "label"]
        indexes = [models.Index(fields=["organisation", "id"], name="position_by_house")]
        constraints = [
            models.UniqueConstraint(fields=["building", "label"], name="position_label_once"),
            models.CheckConstraint(
                condition=Q(static_pressure_psi__isnull=True) | Q(static_pressure_psi__range=(1, 300)),
                name="static_pressure_possible",
            ),
        ]

    def __str__(self) -> str:
        return self.label
