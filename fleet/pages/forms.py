"""Forms of the record. Dates are written as people know them; what is read back is a date with its precision."""

from __future__ import annotations

from typing import Any

from django import forms

from fleet.estate.models import Position
from fleet.heaters.date_reading import parse_date
from fleet.heaters.dates import ImpreciseDate, UnreadableValue
from fleet.heaters.models import Heater, Precision
from fleet.heaters.register import HEATER_DATES, HEATER_PLAIN, POSITION_FIELDS
from fleet.pages import reading, words
from fleet.pages.as_shown import AsShown
from fleet.pages.measure_fields import AsksMeasures
from fleet.pages.models import ReadingHabit

DATE_HELP = "As exactly as it is known: 3 May 2016, May 2016, 2016, 2012 to 2014, or unknown."
UNKNOWN_CHOICES = [("", "not known"), ("true", "yes"), ("false", "no")]


def as_asked(known: ImpreciseDate) -> str:
    """A date as its reader writes days, such that the field reads it back as the same date."""
    if not known.is_known or reading.habit().days == ReadingHabit.Days.ISO:
        return str(known)
    if known.precision == "between":
        return " to ".join(words.a_day(day) for day in (known.earliest, known.latest) if day)
    return words.a_date(known.earliest, known.latest, known.precision)


class ImpreciseDateField(forms.CharField):
    """A date as people write it. Cleans to an ImpreciseDate, or None where left empty."""

    def __init__(self, **options: Any) -> None:
        super().__init__(required=False, max_length=60, **options)
        self.as_of: Any = None

    def clean(self, value: Any) -> ImpreciseDate | None:
        text = super().clean(value)
        if not text:
            return None
        try:
            return parse_date(
                text, self.as_of, "mdy" if reading.habit().days == ReadingHabit.Days.US else None
            )
        except UnreadableValue as error:
            raise forms.ValidationError(f"{error}. Right would be {error.right}.") from error


class _YesNo(forms.TypedChoiceField):
    def __init__(self, **options: Any) -> None:
        options.pop("widget", None)
        super().__init__(
            choices=UNKNOWN_CHOICES,
            coerce=lambda text: {"true": True, "false": False}[text],
            empty_value=None,
            required=False,
            **options,
        )

    def prepare_value(self, value: Any) -> str:
        return {True: "true", False: "false", None: ""}.get(value, value)


# What an empty choice means where it does not mean that nobody knows.
EMPTY_MEANS = {"ending": "in service"}


def for_column(column: Any, **options: Any) -> Any:
    """Yes or no must keep 'not known' apart from 'no'; an empty choice says in words what it means."""
    if column.get_internal_type() == "BooleanField":
        return _YesNo(
            label=options.get("label") or column.verbose_name.capitalize(), help_text=column.help_text
        )
    if column.choices:
        words = EMPTY_MEANS.get(column.name, "not known") if column.blank else "choose one"
        options["choices"] = column.get_choices(
            include_blank=column.blank or not column.has_default(), blank_choice=[("", words)]
        )
    return column.formfield(**options)


class PercentField(forms.FloatField):
    """A share of the record, asked and shown in per cent."""

    widget = forms.TextInput(attrs={"inputmode": "decimal"})

    def prepare_value(self, value: Any) -> Any:
        return f"{value * 100:.10g}" if isinstance(value, float) else value

    def to_python(self, value: Any) -> float | None:  # type: ignore[override]  # the stubs hold it to be whole
        percent = super().to_python(value.rstrip("% ") if isinstance(value, str) else value)
        return None if percent is None else percent / 100


HEATER_LABELS = {
    "tag": "Tag",
    "model_number": "Model number",
    "serial_number": "Serial number",
    "capacity_gal": "Capacity",
    "input_btu_h": "Input",
    "energy_factor": "Energy factor",
    "warranty_years": "Warranty (years)",
    "setpoint_f": "Set point",
    "relief_valve_psi": "Relief valve, pressure rating",
    "relief_valve_btu_h": "Relief valve, heat rating",
    "homes_served": "Homes served",
    "ending": "How it left service",
}


class HeaterForm(AsksMeasures, forms.ModelForm):
    installed = ImpreciseDateField(label="Put in", help_text=DATE_HELP)
    made = ImpreciseDateField(label="Made", help_text="From the rating plate, if it says.")
    removed = ImpreciseDateField(label="Left service on", help_text="Empty while it is in service.")
    version = forms.IntegerField(widget=forms.HiddenInput, required=False)
    reason = forms.CharField(
        label="Why this change",
        required=False,
        max_length=500,
        help_text="Kept with the history. May stay empty.",
    )
    groups = (
        (
            "What it is",
            (
                "tag",
                "kind",
                "fuel",
                "maker",
                "model_number",
                "serial_number",
                "capacity_gal",
                "input_btu_h",
                "energy_factor",
            ),
        ),
        ("When", ("installed", "made", "warranty_years")),
        (
            "How it is set up",
            (
                "setpoint_f",
                "anode_kind",
                "anode_count",
                "relief_valve_psi",
                "relief_valve_btu_h",
                "vent_kind",
                "recirculation",
                "homes_served",
            ),
        ),
        ("If it has left service", ("ending", "removed")),
        ("Notes", ("notes", "reason")),
    )

    class Meta:
        model = Heater
        formfield_callback = for_column
        fields = ("tag", *HEATER_PLAIN)
        labels = HEATER_LABELS

    def __init__(self, *args: Any, as_of: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        for prefix in HEATER_DATES:
            field = self.fields[prefix]
            assert isinstance(field, ImpreciseDateField)
            field.as_of = as_of
            precision = getattr(self.instance, f"{prefix}_precision")
            if precision and (self.instance.pk or precision != "unknown"):
                self.initial[prefix] = as_asked(
                    ImpreciseDate(
                        getattr(self.instance, f"{prefix}_earliest"),
                        getattr(self.instance, f"{prefix}_latest"),
                        precision,
                    )
                )
        if (years := self.initial.get("warranty_years")) is not None:
            self.initial["warranty_years"] = f"{float(years):g}"
        self.initial["version"] = self.instance.version
        self.ask_measures()

    def grouped(self) -> list[tuple[str, list[forms.BoundField]]]:
        return [(title, [self[name] for name in names]) for title, names in self.groups]

    def _post_clean(self) -> None:
        """The verb checks the record as a whole; the form only reads."""

    def values(self) -> dict[str, Any]:
        """What the verb takes: model fields only, each date as its bounds and precision."""
        values = {
            name: self.cleaned_data[name] for name in self._meta.fields or () if name in self.cleaned_data
        }
        for prefix in HEATER_DATES:
            known = self.cleaned_data.get(prefix)
            values[f"{prefix}_earliest"] = known.earliest if known else None
            values[f"{prefix}_latest"] = known.latest if known else None
            nothing = Precision.NONE if prefix == "removed" else Precision.UNKNOWN
            values[f"{prefix}_precision"] = known.precision if known else nothing.value
        return values


class PositionForm(AsShown, AsksMeasures, forms.ModelForm):
    reason = forms.CharField(label="Why this change", required=False, max_length=500)
    groups = (
        ("Where it is", ("label", "floor", "room", "below")),
        (
            "What protects the building",
            (
                "has_shutoff_valve",
                "has_pan",
                "has_drain",
                "has_leak_alarm",
                "seismic_zone",
                "has_seismic_straps",
            ),
        ),
        ("Water side", ("static_pressure_psi", "closed_system", "has_expansion_tank", "has_mixing_valve")),
        ("Gas, vent and power", ("has_sediment_trap", "vent_lined", "has_240v_circuit")),
        (
            "Room for a heater",
            ("clear_height_in", "clear_width_in", "clear_depth_in", "room_volume_ft3", "hard_access"),
        ),
        ("History", ("reason",)),
    )

    class Meta:
        model = Position
        formfield_callback = for_column
        fields = ("label", *POSITION_FIELDS)
        labels = {
            "label": "Name of the place",
            "below": "What lies below",
            "has_pan": "Drain pan",
            "has_drain": "Floor or pan drain",
            "has_leak_alarm": "Leak alarm",
            "has_shutoff_valve": "Shut-off valve on the cold side",
            "closed_system": "Closed system (check valve or regulator)",
            "has_expansion_tank": "Expansion tank",
            "static_pressure_psi": "Static pressure",
            "seismic_zone": "Seismic design category",
            "clear_height_in": "Clear height",
            "clear_width_in": "Clear width",
            "clear_depth_in": "Clear depth",
            "room_volume_ft3": "Air in the room",
            "hard_access": "Hard to reach (stairs, crawl space, tight door)",
            "has_mixing_valve": "Mixing valve on the hot side",
            "has_sediment_trap": "Sediment trap on the gas line",
            "has_seismic_straps": "Seismic straps",
            "vent_lined": "Vent or chimney lined for this heater",
            "has_240v_circuit": "240 V circuit at the heater",
        }

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.keep_what_is_shown()
        self.ask_measures()

    def grouped(self) -> list[tuple[str, list[forms.BoundField]]]:
        return [(title, [self[name] for name in names]) for title, names in self.groups]

    def _post_clean(self) -> None:
        """The verb checks the record as a whole; the form only reads."""

    def values(self) -> dict[str, Any]:
        return {
            name: self.cleaned_data[name] for name in self._meta.fields or () if name in self.cleaned_data
        }
