"""Fields that choose among properties: few stand in a list; where there are many, names are written."""

from __future__ import annotations

from typing import Any

from django import forms

from fleet.estate.choosing import NotOne, Properties, listed, named
from fleet.estate.models import Property
from fleet.estate.row_numbers import row_number

MOST_NAMED = 5000


def _one(written: str, rows: Properties) -> Property:
    try:
        return named(written, rows)
    except NotOne as refused:
        raise forms.ValidationError(str(refused)) from refused


class PropertyField(forms.ChoiceField):
    """One property out of few."""

    def __init__(self, found: list[Property], empty: str, **options: Any) -> None:
        choices = [("", empty), *((str(row.pk), row.name) for row in found)]
        super().__init__(choices=choices, required=False, **options)
        self.found = {str(row.pk): row for row in found}

    def clean(self, value: Any) -> Property | None:
        return self.found.get(super().clean(value))


class NamedPropertyField(forms.CharField):
    """One property out of many, written."""

    def __init__(self, rows: Properties, empty: str, **options: Any) -> None:
        options["help_text"] = f"Its name, or words of its name or address. Left empty: {empty}."
        super().__init__(required=False, max_length=200, **options)
        self.rows = rows

    def clean(self, value: Any) -> Property | None:
        written = super().clean(value)
        return _one(written, self.rows) if written else None


def one_property(label: str, empty: str, rows: Properties | None = None) -> forms.Field:
    """A field that cleans to a property, or None where none was chosen; `empty` says what none means."""
    found = listed(rows)
    if found is None:
        return NamedPropertyField(Property.objects.all() if rows is None else rows, empty, label=label)
    return PropertyField(found, empty, label=label)


class TickedField(forms.MultipleChoiceField):
    """Properties out of few."""

    widget = forms.CheckboxSelectMultiple
    default_error_messages = {
        "invalid_choice": "One of the chosen properties does not exist. Choose again.",
    }

    def __init__(self, found: list[Property], **options: Any) -> None:
        super().__init__(choices=[(str(row.pk), row.name) for row in found], **options)
        self.found = {row.pk: row for row in found}

    def prepare_value(self, value: Any) -> Any:
        return [str(getattr(one, "pk", one)) for one in value or ()]

    def clean(self, value: Any) -> list[Property]:
        return [self.found[row_number(written)] for written in super().clean(value)]


class NamedField(forms.CharField):
    """Properties out of many, one a line."""

    widget = forms.Textarea

    def __init__(self, rows: Properties, all_unless_named: bool, **options: Any) -> None:
        options["label"] = f"{options['label']}, one a line"
        help_text = f"A name, or words of a name or address. {options.get('help_text', '')}"
        if all_unless_named:
            help_text = f"{help_text} Left empty: all of them."
        super().__init__(**options | {"help_text": " ".join(help_text.split())})
        self.rows, self.all_unless_named = rows, all_unless_named

    def prepare_value(self, value: Any) -> Any:
        return value if value is None or isinstance(value, str) else "\n".join(row.name for row in value)

    def clean(self, value: Any) -> list[Property]:
        lines = (" ".join(line.split()) for line in super().clean(value).splitlines())
        names = list(dict.fromkeys(line for line in lines if line))
        if not names and self.all_unless_named:
            return list(self.rows)
        if len(names) > MOST_NAMED:
            raise forms.ValidationError(f"{len(names):,} lines are too many; write at most {MOST_NAMED:,}.")
        exact: dict[str, list[Property]] = {}
        for row in self.rows.filter(name__in=names):
            exact.setdefault(row.name, []).append(row)
        found = [exact[name][0] if len(exact.get(name, ())) == 1 else _one(name, self.rows) for name in names]
        return list(dict.fromkeys(found))


def some_properties(
    label: str, rows: Properties | None = None, help_text: str = "", all_first: bool = False
) -> forms.Field:
    """A field that cleans to the properties chosen, which may be none; `all_first`: all, unless the reader takes fewer."""
    found = listed(rows)
    if found is None:
        every = Property.objects.all() if rows is None else rows
        return NamedField(every, all_first, label=label, help_text=help_text, required=False)
    first = found if all_first else None
    return TickedField(found, label=label, help_text=help_text, initial=first, required=False)


class WhereForm(forms.Form):
    """One field that chooses among properties, for a page whose other fields are its own."""

    def __init__(self, data: Any, name: str, field: forms.Field, **options: Any) -> None:
        super().__init__(data, **options)
        self.fields[name] = field
        self.name = name

    @property
    def chosen(self) -> Any:
        """What was chosen; None where nothing was sent, or what was sent leads nowhere."""
        return self.cleaned_data[self.name] if self.is_valid() else None

    @property
    def problems(self) -> dict[str, str]:
        return {name: " ".join(map(str, words)) for name, words in self.errors.items()}
