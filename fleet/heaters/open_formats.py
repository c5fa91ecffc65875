"""The record in open forms: where properties lie (GeoJSON), and what each column of the export means (Table Schema)."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.db.models import Count, Q

from fleet.estate.models import Organisation, Property
from fleet.heaters.exporting import TABLES, Table
from fleet.heaters.models import Heater

# The end of a column's name -> the unit it is in.
UNITS = {
    "_gal": "US gallons",
    "_btu_h": "British thermal units an hour",
    "_f": "degrees Fahrenheit",
    "_c": "degrees Celsius",
    "_psi": "pounds per square inch",
    "_mg_l": "milligrams per litre",
    "_us_cm": "microsiemens per centimetre",
    "_in": "inches",
    "_ft3": "cubic feet",
    "_years": "years",
    "_fraction": "a share between 0 and 1",
    "latitude": "degrees north, WGS 84",
    "longitude": "degrees east, WGS 84",
}


def properties_as_geojson(organisation: Organisation) -> dict[str, Any]:
    """A FeatureCollection (RFC 7946). A property whose place is not known has no geometry, which the RFC allows."""
    places = Property.objects.filter(organisation=organisation).annotate(building_count=Count("buildings"))
    counts = dict(
        Heater.objects.filter(Q(organisation=organisation), ending="")
        .order_by()
        .values_list("position__building__property")
        .annotate(count=Count("pk"))
    )
    return {
        "type": "FeatureCollection",
        "features": [_feature(place, counts.get(place.pk, 0)) for place in places.order_by("name")],
    }


def _feature(place: Any, heater_count: int) -> dict[str, Any]:
    known = place.latitude is not None and place.longitude is not None
    return {
        "type": "Feature",
        "id": place.pk,
        # Longitude comes first (RFC 7946, section 3.1.1).
        "geometry": {"type": "Point", "coordinates": [place.longitude, place.latitude]} if known else None,
        "properties": {
            "name": place.name,
            "address": place.address,
            "time_zone": place.time_zone,
            "buildings": place.building_count,
            "heaters_in_service": heater_count,
        },
    }


def data_package() -> dict[str, Any]:
    """What each column of the CSV export means: a Data Package of Table Schemas (specs.frictionlessdata.io)."""
    return {
        "name": "tank-almanac-record",
        "profile": "tabular-data-package",
        "resources": [_resource(table) for table in TABLES],
    }


def _resource(table: Table) -> dict[str, Any]:
    named = [_named(column) for column in table.belongs_to]
    fields = [_field(field) for field in table.fields]
    return {
        "name": table.name.replace("_", "-"),
        "path": f"{table.name}.csv",
        "profile": "tabular-data-resource",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": {"fields": [*named, *fields], "missingValues": [""]},
    }


def _named(column: str) -> dict[str, Any]:
    """The name of what a row belongs to."""
    return {
        "name": column,
        "type": "string",
        "description": f"The {column} that the row belongs to, by its name",
    }


def _field(field: models.Field[Any, Any]) -> dict[str, Any]:
    described: dict[str, Any] = {"name": field.name, "title": str(field.verbose_name).capitalize()}
    described |= _type_of(field)
    words = [str(field.help_text)] if field.help_text else []
    words += [f"In {unit}" for ending, unit in UNITS.items() if field.name.endswith(ending)][:1]
    words += _date_words(field.name)
    if words:
        described["description"] = ". ".join(words)
    constraints: dict[str, Any] = {}
    if not (field.null or field.blank or field.has_default()):
        constraints["required"] = True
    if field.choices:
        constraints["enum"] = [value for value, _ in field.flatchoices if value != ""]
    if isinstance(field, models.CharField) and field.max_length and not field.choices:
        # An apostrophe may stand before a text that a spreadsheet could run.
        constraints["maxLength"] = field.max_length + 1
    if constraints:
        described["constraints"] = constraints
    return described


def _date_words(name: str) -> list[str]:
    if name.endswith("_earliest"):
        return ["The first day that it can have been"]
    if name.endswith("_latest"):
        return ["The last day that it can have been"]
    return ["How exactly the date is known"] if name.endswith("_precision") else []


def _type_of(field: models.Field[Any, Any]) -> dict[str, Any]:
    kinds: tuple[tuple[type, dict[str, Any]], ...] = (
        (models.BooleanField, {"type": "boolean", "trueValues": ["yes"], "falseValues": ["no"]}),
        (models.DateTimeField, {"type": "datetime"}),
        (models.DateField, {"type": "date"}),
        (models.IntegerField, {"type": "integer"}),
        (models.FloatField, {"type": "number"}),
        (models.DecimalField, {"type": "number"}),
    )
    return next((dict(made) for kind, made in kinds if isinstance(field, kind)), {"type": "string"})
