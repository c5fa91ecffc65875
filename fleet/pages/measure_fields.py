"""Measures in forms: asked in the reader's units, any unit that the importer reads understood, kept in the record's own.

A measure that was not touched keeps its stored value: 50 gal shown as 189 L does not become 49.93 gal by saving.
"""

from __future__ import annotations

from typing import Any

from django import forms

from fleet.heaters import values
from fleet.heaters.dates import UnreadableValue
from fleet.pages import reading

MEASURES: dict[str, tuple[values.Quantity, str]] = {
    "capacity_gal": (values.CAPACITY, "gal"),
    "input_btu_h": (values.HEAT_INPUT, "Btu/h"),
    "setpoint_f": (values.SETPOINT, "°F"),
    "relief_valve_psi": (values.PRESSURE, "psi"),
    "relief_valve_btu_h": (values.HEAT_INPUT, "Btu/h"),
    "static_pressure_psi": (values.PRESSURE, "psi"),
    "clear_height_in": (values.LENGTH_IN, "in"),
    "clear_width_in": (values.LENGTH_IN, "in"),
    "clear_depth_in": (values.LENGTH_IN, "in"),
    "room_volume_ft3": (values.ROOM_VOLUME, "ft³"),
    "hardness_mg_l": (values.HARDNESS, "mg/L"),
    "alkalinity_mg_l": (values.HARDNESS, "mg/L"),
    "temperature_c": (values.WATER_TEMPERATURE, "°C"),
}
HABITS = {"metric": reading.Habit(metric=True), "customary": reading.Habit()}


class MeasureField(forms.CharField):
    widget = forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"})

    def __init__(self, name: str, label: str, help_text: str, stored: float | None) -> None:
        self.quantity, self.kept_unit = MEASURES[name]
        self.stored = stored
        there = reading.scale(self.kept_unit)
        self.unit = there.unit if there else self.kept_unit
        super().__init__(label=f"{label} ({self.unit})", help_text=help_text, required=False, max_length=40)

    def shown(self) -> str:
        if self.stored is None:
            return ""
        there = reading.scale(self.kept_unit)
        if there is None:  # no reader needs the tenth of a thousand
            return f"{round(self.stored, 0 if abs(self.stored) >= 1000 else 1) + 0.0:.10g}"
        return f"{round(there.shown(self.stored), there.digits) + 0.0:.10g}"

    def clean(self, value: Any) -> float | None:
        text = super().clean(value)
        if text == self.shown():
            return self.stored
        try:
            return values.parse_quantity(text, self.quantity, self.unit)
        except UnreadableValue as error:
            words = reading.in_my_units(f"{error}. Right would be {error.right}.")
            raise forms.ValidationError(words) from error


class AsksMeasures:
    """For a form of a record: its measures in the reader's units, or in those that the sent form was shown in."""

    fields: Any
    instance: Any
    initial: Any
    data: Any
    is_bound: bool
    add_prefix: Any

    def ask_measures(self) -> None:
        now = "metric" if reading.habit().metric else "customary"
        units = self.data.get(self.add_prefix("units"), now) if self.is_bound else now
        with reading.reading_as(HABITS.get(units, HABITS[now])):
            for name in [name for name in MEASURES if name in self.fields]:
                before = self.fields[name]
                field = MeasureField(
                    name, str(before.label), str(before.help_text), getattr(self.instance, name)
                )
                self.fields[name], self.initial[name] = field, field.shown()
        self.fields["units"] = forms.CharField(widget=forms.HiddenInput, required=False)
        self.initial["units"] = units
