"""Shapes: what goes in and comes out. Input is read strictly; limits come from the model and its constraints."""

from __future__ import annotations

import re
from datetime import date, datetime
from decimal import Decimal
from functools import cache
from typing import Any, ClassVar

from django.db import models
from rest_framework import serializers

EARLIEST, LATEST = date(1800, 1, 1), date(2200, 12, 31)


class StrictDay(serializers.DateField):
    default_error_messages: ClassVar[dict[str, Any]] = {
        "written": "{value} is not a day. Write it as 2026-11-25.",
        "far": "{value} cannot be: give a day from 1800-01-01 to 2200-12-31.",
    }

    def to_internal_value(self, value: Any) -> date:
        if not isinstance(value, str) or not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value):
            self.fail("written", value=repr(value)[:60])
        found: date = super().to_internal_value(value)
        if not EARLIEST <= found <= LATEST:
            self.fail("far", value=value)
        return found


class StrictMoment(serializers.DateTimeField):
    default_error_messages: ClassVar[dict[str, Any]] = {
        "written": "{value} is not a moment. Write it with its offset, as 2026-11-25T14:05:00Z.",
    }

    def to_internal_value(self, value: Any) -> datetime:
        if not isinstance(value, str) or not re.search(r"[Tt ].*(?:[Zz]|[+-][0-9]{2}:?[0-9]{2})$", value):
            self.fail("written", value=repr(value)[:60])
        found: datetime = super().to_internal_value(value)
        if not EARLIEST.year <= found.year <= LATEST.year:
            self.fail("written", value=value[:60])
        return found


class StrictNumber(serializers.FloatField):
    def to_internal_value(self, data: Any) -> float:
        if isinstance(data, bool) or not isinstance(data, int | float) or abs(data) > 1e15:
            self.fail("invalid")
        return float(data)


class StrictWhole(serializers.IntegerField):
    def to_internal_value(self, data: Any) -> int:
        if isinstance(data, bool) or not isinstance(data, int) or abs(data) > 2**53:
            self.fail("invalid")
        return int(data)


class StrictYes(serializers.BooleanField):
    def to_internal_value(self, data: Any) -> bool:
        if not isinstance(data, bool):
            self.fail("invalid", input=data)
        return data


class StrictText(serializers.CharField):
    def to_internal_value(self, data: Any) -> str:
        if not isinstance(data, str):
            self.fail("invalid")
        return str(super().to_internal_value(data))


class StrictChoice(serializers.ChoiceField):
    def to_internal_value(self, data: Any) -> Any:
        if not isinstance(data, str):
            self.fail("invalid_choice", input=data)
        return super().to_internal_value(data)


class Money(serializers.DecimalField):
    """Text such as "2700.00": a binary number cannot hold cents."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**({"max_digits": 12, "decimal_places": 2} | options))

    def to_internal_value(self, data: Any) -> Decimal:
        if not isinstance(data, str) or not re.fullmatch(r"-?[0-9]{1,14}(\.[0-9]{1,4})?", data):
            self.fail("invalid")
        return Decimal(super().to_internal_value(data))


class Known(StrictWhole):
    """The number of another row, which must be in sight. Another organisation's and none at all read the same."""

    default_error_messages: ClassVar[dict[str, Any]] = {"unknown": "There is no {what} {value} here."}

    def __init__(self, model: type[models.Model], **options: Any) -> None:
        self.model = model
        super().__init__(**({"min_value": 1, "max_value": 2**53} | options))

    def run_validation(self, data: Any = serializers.empty) -> Any:  # type: ignore[attr-defined]
        value = super().run_validation(data)
        if value is None:
            return None
        found = self.model.objects.filter(pk=value).first()  # type: ignore[attr-defined]
        if found is None:
            self.fail("unknown", what=self.model._meta.verbose_name, value=value)
        return found


class Exact:
    """A field that nobody knows is a slip of the pen, and is said so instead of being left out silently."""

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, dict):
            writable = [name for name, field in self.fields.items() if not field.read_only]  # type: ignore[attr-defined]
            if unknown := sorted(set(map(str, data)) - set(writable)):
                words = f"Not a field here; {', '.join(writable)} are."
                raise serializers.ValidationError({name[:60]: [words] for name in unknown})
        return super().to_internal_value(data)  # type: ignore[misc]


class Given(Exact, serializers.Serializer):
    """What is taken in, field by field."""


INTEGER_TOPS = {
    models.PositiveSmallIntegerField: (0, 32_767),
    models.PositiveIntegerField: (0, 2_147_483_647),
    models.SmallIntegerField: (-32_768, 32_767),
    models.IntegerField: (-2_147_483_648, 2_147_483_647),
}


@cache
def limits_of(model: type[models.Model]) -> dict[str, tuple[Any, Any]]:
    """Field -> (lowest, highest), read from the model's own check constraints."""
    found: dict[str, tuple[Any, Any]] = {}
    for constraint in model._meta.constraints:
        if isinstance(constraint, models.CheckConstraint):
            for child in getattr(constraint.condition, "children", ()):
                if isinstance(child, tuple) and child[0].endswith("__range"):
                    found[child[0].removesuffix("__range")] = child[1]
    return found


class FromModel(Exact, serializers.ModelSerializer):
    """Fields of a model. The database's checks are said beforehand, by field, and stand in the document too."""

    serializer_field_mapping = serializers.ModelSerializer.serializer_field_mapping | {
        models.CharField: StrictText,
        models.TextField: StrictText,
        models.FloatField: StrictNumber,
        models.BooleanField: StrictYes,
        models.DateField: StrictDay,
        models.DateTimeField: StrictMoment,
        models.DecimalField: Money,
        models.IntegerField: StrictWhole,
        models.SmallIntegerField: StrictWhole,
        models.PositiveIntegerField: StrictWhole,
        models.PositiveSmallIntegerField: StrictWhole,
    }
    serializer_choice_field = StrictChoice

    def build_standard_field(self, field_name: str, model_field: Any) -> Any:
        made, options = super().build_standard_field(field_name, model_field)
        if isinstance(model_field, models.IntegerField):
            options["min_value"], options["max_value"] = INTEGER_TOPS.get(type(model_field), (0, 2**53))
        if isinstance(model_field, models.TextField):
            options["max_length"] = 10_000
        if limits := limits_of(model_field.model).get(field_name):
            options["min_value"], options["max_value"] = limits
        # Uniqueness is the verbs' to say; and what validators repeat is said by the field already.
        options.pop("validators", None)
        options.pop("style", None)
        return made, options

    def get_validators(self) -> list[Any]:
        return []


class Shown(serializers.ModelSerializer):
    """What is given out. Only ever used for its columns and for the document."""

    serializer_field_mapping = FromModel.serializer_field_mapping
    serializer_choice_field = StrictChoice

    def build_standard_field(self, field_name: str, model_field: Any) -> Any:
        made, options = super().build_standard_field(field_name, model_field)
        kept: dict[str, Any] = {
            name: options[name]
            for name in ("choices", "allow_null", "decimal_places", "max_digits")
            if name in options
        }
        if not issubclass(made, serializers.DecimalField | serializers.ChoiceField):
            kept = {name: value for name, value in kept.items() if name == "allow_null"}
        if model_field.choices and model_field.blank:
            kept["allow_blank"] = True
        return made, kept | {"read_only": True, "help_text": str(model_field.help_text or "")}


def number(source: str = "", nullable: bool = False) -> serializers.Field:
    """A number of another row."""
    options: dict[str, Any] = {"source": source} if source else {}
    return serializers.IntegerField(read_only=True, allow_null=nullable, **options)


def text(source: str = "", says: str = "") -> serializers.Field:
    options: dict[str, Any] = {"source": source} if source else {}
    return serializers.CharField(read_only=True, help_text=says, **options)


def names_of(shape: type[serializers.Serializer]) -> list[str]:
    return [str(name) for name in shape().fields]
