"""Heaters, water tests, service history: what is stored and what the database itself refuses."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Upper

from fleet.estate.scope import Level, ScopedModel
from fleet.heaters.import_rows import ImportBatch, RememberedHeading
from fleet.heaters.record_sum_rows import RecordMark, RecordSum

__all__ = [
    "Attachment",
    "Heater",
    "ImportBatch",
    "RecordMark",
    "RecordSum",
    "RememberedHeading",
    "ServiceRecord",
    "WaterTest",
]


class Precision(models.TextChoices):
    """How well a date is known. Only its bounds are ever stored, never a made-up day."""

    NONE = "", "does not apply"
    DAY = "day", "to the day"
    MONTH = "month", "to the month"
    YEAR = "year", "to the year"
    BETWEEN = "between", "between two dates"
    UNKNOWN = "unknown", "not known"


class Kind(models.TextChoices):
    GAS_STORAGE_ATMOSPHERIC = "gas_storage_atmospheric", "gas storage, atmospheric"
    GAS_STORAGE_POWER_VENT = "gas_storage_power_vent", "gas storage, power vent"
    GAS_STORAGE_CONDENSING = "gas_storage_condensing", "gas storage, condensing"
    ELECTRIC_STORAGE = "electric_storage", "electric storage"
    HEAT_PUMP = "heat_pump", "heat pump"
    GAS_TANKLESS = "gas_tankless", "gas tankless"
    ELECTRIC_TANKLESS = "electric_tankless", "electric tankless"
    INDIRECT_TANK = "indirect_tank", "indirect tank"
    COMMERCIAL_GAS_STORAGE = "commercial_gas_storage", "commercial gas storage"
    COMMERCIAL_ELECTRIC_STORAGE = "commercial_electric_storage", "commercial electric storage"
    BOILER_WITH_TANK = "boiler_with_tank", "boiler with storage tank"


TANKLESS = frozenset({Kind.GAS_TANKLESS, Kind.ELECTRIC_TANKLESS})
GAS = frozenset(
    {
        Kind.GAS_STORAGE_ATMOSPHERIC,
        Kind.GAS_STORAGE_POWER_VENT,
        Kind.GAS_STORAGE_CONDENSING,
        Kind.GAS_TANKLESS,
        Kind.COMMERCIAL_GAS_STORAGE,
        Kind.BOILER_WITH_TANK,
    }
)


class Fuel(models.TextChoices):
    UNKNOWN = "", "not known"
    NATURAL_GAS = "natural_gas", "natural gas"
    PROPANE = "propane", "propane"
    OIL = "oil", "oil"
    ELECTRICITY = "electricity", "electricity"


class AnodeKind(models.TextChoices):
    UNKNOWN = "", "not known"
    MAGNESIUM = "magnesium", "magnesium"
    ALUMINIUM = "aluminium", "aluminium"
    ALUMINIUM_ZINC = "aluminium_zinc", "aluminium with zinc"
    POWERED = "powered", "powered"
    NONE = "none", "none fitted"


class Ending(models.TextChoices):
    IN_SERVICE = "", "in service"
    TANK_LEAK = "tank_leak", "tank leak"
    FAILED_BEYOND_REPAIR = "failed_beyond_repair", "failed beyond repair"
    REPLACED_AS_PLANNED = "replaced_as_planned", "replaced as planned"
    CONVERTED = "converted", "converted"
    REMOVED = "removed", "removed"


FAILURES = frozenset({Ending.TANK_LEAK, Ending.FAILED_BEYOND_REPAIR})


def _between(field: str, low: float, high: float) -> models.CheckConstraint:
    return models.CheckConstraint(
        condition=Q(**{f"{field}__isnull": True}) | Q(**{f"{field}__range": (low, high)}),
        name=f"{field}_possible",
    )


def _ordered(prefix: str) -> models.CheckConstraint:
    early, late = f"{prefix}_earliest", f"{prefix}_latest"
    return models.CheckConstraint(
        condition=Q(**{f"{early}__isnull": True})
        | Q(**{f"{late}__isnull": True})
        | Q(**{f"{early}__lte": F(late)}),
        name=f"heater_{prefix}_ordered",
    )


class Heater(ScopedModel):
    """One physical unit, in one position from a date to a date."""

    property_path = "position__building__property"
    opened_at = Level.SURVEY
    organisation = models.ForeignKey(  # the indexes below begin with it
        "estate.Organisation", on_delete=models.CASCADE, related_name="+", db_index=False
    )
    position = models.ForeignKey("estate.Position", on_delete=models.PROTECT, related_name="heaters")
    tag = models.CharField(max_length=80, help_text="The office's own mark for this unit")
    kind = models.CharField(max_length=30, choices=Kind.choices)
    fuel = models.CharField(max_length=12, choices=Fuel.choices, blank=True)
    maker = models.CharField(max_length=120, blank=True)
    model_number = models.CharField(max_length=120, blank=True)
    serial_number = models.CharField(max_length=120, blank=True)
    capacity_gal = models.FloatField(null=True, blank=True)
    input_btu_h = models.FloatField(null=True, blank=True)
    energy_factor = models.FloatField(null=True, blank=True)
    made_earliest = models.DateField(null=True, blank=True)
    made_latest = models.DateField(null=True, blank=True)
    made_precision = models.CharField(max_length=8, choices=Precision.choices, default="unknown", blank=True)
    installed_earliest = models.DateField(null=True, blank=True)
    installed_latest = models.DateField(null=True, blank=True)
    installed_precision = models.CharField(
        max_length=8, choices=Precision.choices, default="unknown", blank=True
    )
    removed_earliest = models.DateField(null=True, blank=True)
    removed_latest = models.DateField(null=True, blank=True)
    removed_precision = models.CharField(max_length=8, choices=Precision.choices, blank=True)
    ending = models.CharField(max_length=24, choices=Ending.choices, blank=True)
    warranty_years = models.FloatField(null=True, blank=True)
    anode_kind = models.CharField(max_length=16, choices=AnodeKind.choices, blank=True)
    anode_count = models.PositiveSmallIntegerField(null=True, blank=True)
    setpoint_f = models.FloatField(null=True, blank=True)
    relief_valve_psi = models.FloatField(null=True, blank=True)
    relief_valve_btu_h = models.FloatField(null=True, blank=True)
    vent_kind = models.CharField(max_length=60, blank=True)
    recirculation = models.BooleanField(null=True, blank=True)
    homes_served = models.FloatField(null=True, blank=True)
    notes = models.TextField(blank=True)
    version = models.PositiveIntegerField(default=1)
    updated_at = models.DateTimeField(auto_now=True)

    class Meta:
        ordering = ["id"]
        indexes = [
            # A list of one house, among many, does not go through the others'.
            models.Index(fields=["organisation", "id"], name="heater_by_house"),
            models.Index(fields=["organisation", "ending", "kind"]),
            # Tags and serial numbers are looked up whatever their case.
            models.Index("organisation", Upper("tag"), name="heater_by_tag"),
            models.Index("organisation", Upper("serial_number"), name="heater_by_serial"),
        ]
        constraints = [
            models.UniqueConstraint(fields=["organisation", "tag"], name="heater_tag_once"),
            models.UniqueConstraint(
                fields=["position"], condition=Q(ending=""), name="one_heater_in_a_position"
            ),
            models.CheckConstraint(
                condition=Q(ending="", removed_precision="", removed_earliest=None, removed_latest=None)
                | (~Q(ending="") & ~Q(removed_precision="")),
                name="ending_has_its_date",
            ),
            models.CheckConstraint(
                condition=Q(removed_latest__isnull=True)
                | Q(installed_earliest__isnull=True)
                | Q(installed_earliest__lte=F("removed_latest")),
                name="no_ending_before_the_start",
            ),
            _ordered("made"),
            _ordered("installed"),
            _ordered("removed"),
            _between("capacity_gal", 0, 10_000),
            _between("input_btu_h", 1, 20_000_000),
            _between("energy_factor", 0.1, 10),
            _between("setpoint_f", 50, 210),
            _between("relief_valve_psi", 1, 300),
            _between("warranty_years", 0, 50),
            _between("homes_served", 0, 5000),
        ]

    def __str__(self) -> str:
        return self.tag

    @property
    def in_service(self) -> bool:
        return self.ending == ""


class ServiceRecord(ScopedModel):
    """One thing done to one heater on a day: the dated states that the forecast is built from."""

    class Work(models.TextChoices):
        FLUSH = "flush", "flushed"
        ANODE_INSPECTED = "anode_inspected", "anode inspected"
        ANODE_RENEWED = "anode_renewed", "anode renewed"
        RELIEF_VALVE_TESTED = "relief_valve_tested", "relief valve tested"
        RELIEF_VALVE_RENEWED = "relief_valve_renewed", "relief valve renewed"
        REPAIRED = "repaired", "repaired"
        ELEMENT_RENEWED = "element_renewed", "element renewed"
        DESCALED = "descaled", "descaled"
        INSPECTED = "inspected", "inspected"
        SETPOINT_CHANGED = "setpoint_changed", "set point changed"

    property_path = "heater__position__building__property"
    opened_at = Level.SURVEY
    organisation = models.ForeignKey(  # the index by house begins with it
        "estate.Organisation", on_delete=models.CASCADE, related_name="+", db_index=False
    )
    heater = models.ForeignKey(  # the index of `same_work_once_a_day` begins with it
        Heater, on_delete=models.CASCADE, related_name="services", db_index=False
    )
    kind = models.CharField(max_length=24, choices=Work.choices)
    done_earliest = models.DateField(null=True, blank=True)
    done_latest = models.DateField(null=True, blank=True)
    done_precision = models.CharField(max_length=8, choices=Precision.choices, default="unknown")
    anode_left_fraction = models.FloatField(null=True, blank=True)
    setpoint_f = models.FloatField(null=True, blank=True)
    cost = models.DecimalField(max_digits=12, decimal_places=2, null=True, blank=True)
    done_by = models.CharField(max_length=200, blank=True)
    notes = models.TextField(blank=True)

    class Meta:
        ordering = ["-done_latest", "-id"]
        indexes = [models.Index(fields=["organisation", "id"], name="service_by_house")]
        constraints = [
            models.UniqueConstraint(
                fields=["heater", "kind", "done_earliest", "done_latest"], name="same_work_once_a_day"
            ),
            _between("anode_left_fraction", 0, 1),
            models.CheckConstraint(
                condition=Q(done_earliest__isnull=True)
                | Q(done_latest__isnull=True)
                | Q(done_earliest__lte=F("done_latest")),
                name="service_dates_ordered",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} at {self.heater}"


class WaterTest(ScopedModel):
    """Water as tested on a day: of a whole property, or of one building."""

    class Treatment(models.TextChoices):
        RAW = "raw", "raw"
        SOFTENED = "softened", "softened"

    property_path = "property"
    opened_at = Level.SURVEY
    property = models.ForeignKey("estate.Property", on_delete=models.CASCADE, related_name="water_tests")
    building = models.ForeignKey(
        "estate.Building", null=True, blank=True, on_delete=models.CASCADE, related_name="water_tests"
    )
    treatment = models.CharField(max_length=10, choices=Treatment.choices, default=Treatment.RAW)
    tested_earliest = models.DateField(null=True, blank=True)
    tested_latest = models.DateField(null=True, blank=True)
    tested_precision = models.CharField(max_length=8, choices=Precision.choices, default="unknown")
    hardness_mg_l = models.FloatField(null=True, blank=True)
    calcium_mg_l = models.FloatField(null=True, blank=True)
    alkalinity_mg_l = models.FloatField(null=True, blank=True)
    ph = models.FloatField(null=True, blank=True)
    dissolved_solids_mg_l = models.FloatField(null=True, blank=True)
    conductivity_us_cm = models.FloatField(null=True, blank=True)
    chloride_mg_l = models.FloatField(null=True, blank=True)
    sulfate_mg_l = models.FloatField(null=True, blank=True)
    temperature_c = models.FloatField(null=True, blank=True)

    class Meta:
        ordering = ["-tested_latest", "-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["property", "building", "treatment", "tested_earliest", "tested_latest"],
                name="one_water_test_a_day",
            ),
            _between("hardness_mg_l", 0, 5000),
            _between("ph", 0, 14),
        ]

    def __str__(self) -> str:
        return f"water test of {self.building or self.property}"


def attachment_place(attachment: Attachment, filename: str) -> str:
    """Stored under its digest: the user's file name never reaches the disk."""
    return f"{attachment.organisation_id}/{attachment.sha256[:2]}/{attachment.sha256}"


class Attachment(ScopedModel):
    property_path = "heater__position__building__property"
    opened_at = Level.SURVEY
    heater = models.ForeignKey(Heater, on_delete=models.CASCADE, related_name="attachments")
    file = models.FileField(upload_to=attachment_place)
    name = models.CharField(max_length=200)
    content_type = models.CharField(max_length=60)
    size_bytes = models.PositiveIntegerField()
    sha256 = models.CharField(max_length=64)
    added_at = models.DateTimeField(auto_now_add=True)
    added_by: Any = models.ForeignKey("estate.Person", null=True, on_delete=models.SET_NULL, related_name="+")

    def __str__(self) -> str:
        return self.name
