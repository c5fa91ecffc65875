"""Forms of properties, buildings, water tests and services: what the verbs take, each date as people know it."""

from __future__ import annotations

import calendar
import zoneinfo
from typing import Any, ClassVar

from django import forms

from fleet.estate.models import Building, Property
from fleet.heaters.dates import ImpreciseDate
from fleet.heaters.models import Precision, ServiceRecord, WaterTest
from fleet.heaters.register import BUILDING_FIELDS, PROPERTY_FIELDS
from fleet.pages.as_shown import AsShown
from fleet.pages.forms import DATE_HELP, ImpreciseDateField, PercentField, as_asked, for_column
from fleet.pages.measure_fields import AsksMeasures
from fleet.pages.words import how_many

MONTHS = [(number, calendar.month_name[number]) for number in range(1, 13)]
Groups = tuple[tuple[str, tuple[str, ...]], ...]


class RecordForm(AsShown, AsksMeasures, forms.ModelForm):  # type: ignore[type-arg]
    """Reads; the verb checks the record as a whole. `date_name` is the prefix of the row's imprecise date."""

    groups: ClassVar[Groups] = ()
    date_name: ClassVar[str] = ""
    date_label: ClassVar[str] = ""

    def __init__(self, *args: Any, as_of: Any = None, **options: Any) -> None:
        super().__init__(*args, **options)
        if self.date_name:
            field = ImpreciseDateField(label=self.date_label, help_text=DATE_HELP)
            field.as_of = as_of
            self.fields[self.date_name] = field
            if self.instance.pk:
                self.initial[self.date_name] = as_asked(ImpreciseDate(*self._stored()))
        self.fields["reason"] = forms.CharField(
            label="Why", required=False, max_length=500, help_text="Kept with the history. May stay empty."
        )
        self.keep_what_is_shown()
        self.ask_measures()

    def _stored(self) -> tuple[Any, Any, Any]:
        earliest, latest, precision = (
            getattr(self.instance, f"{self.date_name}_{end}") for end in ("earliest", "latest", "precision")
        )
        return earliest, latest, precision

    def grouped(self) -> list[tuple[str, list[forms.BoundField]]]:
        return [(title, [self[name] for name in names]) for title, names in self.groups]

    def _post_clean(self) -> None:
        """The verb's business."""

    def values(self) -> dict[str, Any]:
        found = {
            name: self.cleaned_data[name] for name in self._meta.fields or () if name in self.cleaned_data
        }
        if self.date_name:
            known = self.cleaned_data.get(self.date_name)
            found[f"{self.date_name}_earliest"] = known.earliest if known else None
            found[f"{self.date_name}_latest"] = known.latest if known else None
            found[f"{self.date_name}_precision"] = known.precision if known else Precision.UNKNOWN.value
        return found


class PropertyForm(RecordForm):
    time_zone = forms.ChoiceField(
        label="Time zone",
        choices=lambda: [(name, name) for name in sorted(zoneinfo.available_timezones())],
        help_text="Days here are days in this zone.",
    )
    groups = (
        ("What and where", ("name", "address", "latitude", "longitude", "time_zone", "emergency_contact")),
        ("Money", ("fiscal_year_start_month", "currency")),
        ("Record", ("code_family", "records_since", "reason")),
    )

    class Meta:
        model = Property
        fields = ("name", *PROPERTY_FIELDS)
        labels = {
            "emergency_contact": "Whom to call in an emergency",
            "fiscal_year_start_month": "Fiscal year starts in",
            "code_family": "Plumbing code followed",
            "records_since": "Every ending written down since",
        }
        widgets = {
            "records_since": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
            "fiscal_year_start_month": forms.Select(choices=MONTHS),
        }


class RecordsSinceForm(RecordForm):
    """One day for all properties that do not say it."""

    asks_one_thing = True  # nothing here can be left empty
    groups = (("Record", ("records_since", "reason")),)

    class Meta:
        model = Property
        fields = ("records_since",)
        labels: ClassVar[dict[str, str]] = {"records_since": PropertyForm.Meta.labels["records_since"]}
        widgets: ClassVar[dict[str, Any]] = {"records_since": PropertyForm.Meta.widgets["records_since"]}

    def __init__(self, *args: Any, count: int, **options: Any) -> None:
        super().__init__(*args, **options)
        field = self.fields["records_since"]
        field.required = True
        field.help_text = (
            f"For {how_many(count, 'property', 'properties')} that {'does' if count == 1 else 'do'} not say it yet. Rather "
            "too late a day than too early: failures that are missing since then make heaters look long-lived."
        )


class BuildingForm(RecordForm):
    groups = (("The building", ("name", "year_built", "units_served", "softened_since", "reason")),)

    class Meta:
        model = Building
        fields = ("name", *BUILDING_FIELDS)
        labels = {
            "name": "Name or number",
            "year_built": "Year built",
            "units_served": "Homes served",
            "softened_since": "Softened water since",
        }
        help_texts = {"units_served": ""}  # the label says it
        widgets = {"softened_since": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")}


class WaterTestForm(RecordForm):
    date_name, date_label = "tested", "Sampled"
    groups = (
        ("The sample", ("tested", "treatment")),
        (
            "What it held",
            ("hardness_mg_l", "calcium_mg_l", "alkalinity_mg_l", "ph", "chloride_mg_l", "sulfate_mg_l"),
        ),
        ("Salts and warmth", ("dissolved_solids_mg_l", "conductivity_us_cm", "temperature_c")),
        ("History", ("reason",)),
    )

    class Meta:
        model = WaterTest
        fields = (
            "treatment",
            "hardness_mg_l",
            "calcium_mg_l",
            "alkalinity_mg_l",
            "ph",
            "dissolved_solids_mg_l",
            "conductivity_us_cm",
            "chloride_mg_l",
            "sulfate_mg_l",
            "temperature_c",
        )
        help_texts = {"hardness_mg_l": "As the laboratory gives it; grains, write for instance 12 gpg."}
        labels = {
            "treatment": "Raw or softened",
            "hardness_mg_l": "Hardness as CaCO\u2083",
            "calcium_mg_l": "Calcium (mg/L)",
            "alkalinity_mg_l": "Alkalinity as CaCO\u2083",
            "ph": "pH",
            "dissolved_solids_mg_l": "Dissolved solids (mg/L)",
            "conductivity_us_cm": "Conductivity (\u00b5S/cm)",
            "chloride_mg_l": "Chloride (mg/L)",
            "sulfate_mg_l": "Sulfate (mg/L)",
            "temperature_c": "Temperature",
        }


class ServiceForm(RecordForm):
    date_name, date_label = "done", "Done"
    groups = (
        ("What was done", ("kind", "done", "done_by")),
        ("What was found", ("anode_left_fraction", "setpoint_f", "notes")),
        ("History", ("reason",)),
    )

    class Meta:
        model = ServiceRecord
        formfield_callback = for_column
        fields = ("kind", "done_by", "anode_left_fraction", "setpoint_f", "notes")
        labels = {
            "kind": "Work",
            "done_by": "Done by",
            "anode_left_fraction": "Left of the anode (%)",
            "setpoint_f": "Set to",
        }
        field_classes = {"anode_left_fraction": PercentField}
