"""Open formats, held against their specifications: COBie out and in, GeoJSON, the data dictionary."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from datetime import date
from typing import Any

import pytest
from django.urls import reverse
from openpyxl import load_workbook

from fleet.estate.models import Building, Property
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters import services
from fleet.heaters.models import Heater
from tests.conftest import Cast, make_heater

# NBIMS-US version 3, section 4.2 (COBie 2.4): the columns of the two sheets, in their order.
COMPONENT = [
    "Name",
    "CreatedBy",
    "CreatedOn",
    "TypeName",
    "Space",
    "Description",
    "ExtSystem",
    "ExtObject",
    "ExtIdentifier",
    "SerialNumber",
    "InstallationDate",
    "WarrantyStartDate",
    "TagNumber",
    "BarCode",
    "AssetIdentifier",
]
TYPE = [
    "Name",
    "CreatedBy",
    "CreatedOn",
    "Category",
    "Description",
    "AssetType",
    "Manufacturer",
    "ModelNumber",
    "WarrantyGuarantorParts",
    "WarrantyDurationParts",
    "WarrantyGuarantorLabor",
    "WarrantyDurationLabor",
    "WarrantyDurationUnit",
    "ExtSystem",
    "ExtObject",
    "ExtIdentifier",
    "ReplacementCost",
    "ExpectedLife",
    "DurationUnit",
    "WarrantyDescription",
    "NominalLength",
    "NominalWidth",
    "NominalHeight",
    "ModelReference",
    "Shape",
    "Size",
    "Color",
    "Finish",
    "Grade",
    "Material",
    "Constituents",
    "Features",
    "AccessibilityPerformance",
    "CodePerformance",
    "SustainabilityPerformance",
]


@pytest.fixture
def stocked(in_house: Cast) -> Cast:
    make_heater(
        in_house.house,
        tag="H-2",
        kind="heat_pump",
        maker="Invented Works",
        model_number="HP-50",
        serial_number="S 1",
        warranty_years=6,
        input_btu_h=None,
        installed_earliest=date(2019, 1, 1),
        installed_latest=date(2019, 12, 31),
        installed_precision="year",
    )
    return in_house


def cobie(cast: Cast, building: int | None = None) -> Any:
    answer = cast.client(cast.planner).get(
        reverse("heaters_export:cobie"), {"building": building or cast.building.pk}
    )
    return answer


def sheets(answer: Any) -> dict[str, list[dict[str, Any]]]:
    book = load_workbook(io.BytesIO(b"".join(answer.streaming_content)))
    answer.close()
    found = {}
    for sheet in book:
        head, *rows = list(sheet.iter_rows(values_only=True))
        found[sheet.title] = [dict(zip(head, row, strict=True)) for row in rows]
        found[sheet.title + " columns"] = list(head)
    return found


def test_cobie_has_the_columns_of_the_standard_and_its_references_hold(stocked: Cast) -> None:
    found = sheets(cobie(stocked))
    assert found["Component columns"] == COMPONENT
    assert found["Type columns"] == TYPE
    assert {row["TypeName"] for row in found["Component"]} == {row["Name"] for row in found["Type"]}
    assert {row["Space"] for row in found["Component"]} <= {row["Name"] for row in found["Space"]}
    assert {row["FloorName"] for row in found["Space"]} <= {row["Name"] for row in found["Floor"]}
    contacts = {row["Email"] for row in found["Contact"]}
    assert {row["CreatedBy"] for name in ("Type", "Component", "Facility") for row in found[name]} == contacts
    assert all(value is not None for row in found["Component"] for value in row.values())
    first, second = found["Component"]
    assert (first["Name"], first["InstallationDate"]) == ("H-1", "2016-05-03")
    assert second["InstallationDate"] == "n/a"
    kept = {(row["RowName"], row["Name"]): row["Value"] for row in found["Attribute"]}
    assert kept["H-2", "Installed"] == "2019"
    assert kept["H-1", "Capacity"] == "50"


def test_a_cobie_file_comes_in_as_the_same_heaters(stocked: Cast) -> None:
    answer = cobie(stocked)
    content = b"".join(answer.streaming_content)  # read to its end, which closes it
    with scoped(scope_of_organisation(stocked.other_house)):
        batch = services.keep_file(content, "handover.xlsx", stocked.other_house.pk)
        services.preview(batch, date(2026, 1, 1))
        assert batch.counts["refused"] == 0, batch.preview
        services.accept(batch, date(2026, 1, 1))
        row = Heater.objects.get(tag="H-2")
        assert (row.kind, row.maker, row.model_number, row.serial_number) == (
            "heat_pump",
            "Invented Works",
            "HP-50",
            "S 1",
        )
        assert (row.installed_precision, row.installed_earliest) == ("year", date(2019, 1, 1))
        assert (row.capacity_gal, row.warranty_years) == (50, 6)
        assert row.position.building.name == "A" and row.position.building.property.name == "Alder Court"
        other = Heater.objects.get(tag="H-1")
        assert (other.installed_precision, other.installed_earliest) == ("day", date(2016, 5, 3))


def test_what_is_no_heater_in_a_cobie_file_is_passed_over() -> None:
    from fleet.heaters.cobie_reading import heaters_of

    component = [["Name", "TypeName", "Space"], ["P-1", "Pump", "Cellar"], ["W-1", "Boiling", "Cellar"]]
    kinds = [["Name", "Description"], ["Pump", "circulator"], ["Boiling", "electric water heater"]]
    found = heaters_of({"Component": component, "Type": kinds})
    assert found is not None
    assert [row[5] for row in found] == ["", "W-1"]
    assert heaters_of({"Component": component}) is None
    assert heaters_of({"Component": [], "Type": []}) is None


def test_a_building_of_another_house_has_no_cobie_file(in_house: Cast) -> None:
    foreign = Building._base_manager.get(organisation=in_house.other_house)
    for asked in (foreign.pk, 999_999_999):
        assert cobie(in_house, asked).status_code == 404
    client = in_house.client(in_house.planner)
    assert client.get(reverse("heaters_export:cobie"), {"building": "\u0661x"}).status_code == 404
    assert client.get(reverse("heaters_export:cobie")).status_code == 404


def test_geojson_as_rfc_7946_wants_it(stocked: Cast) -> None:
    Property.objects.filter(pk=stocked.property.pk).update(latitude=39.7, longitude=-105.0)
    make_heater(stocked.house, "Cedar Yard", "C-1")
    answer = stocked.client(stocked.planner).get(reverse("heaters_export:geojson"))
    assert answer["Content-Type"] == "application/geo+json"
    told = json.loads(answer.content)
    assert told["type"] == "FeatureCollection"
    assert [feature["type"] for feature in told["features"]] == ["Feature", "Feature"]
    first, second = told["features"]
    assert first["geometry"] == {"type": "Point", "coordinates": [-105.0, 39.7]}
    assert second["geometry"] is None
    assert first["properties"]["heaters_in_service"] == 2
    assert "Birch" not in answer.content.decode()


READERS = {
    "string": str,
    "integer": int,
    "number": float,
    "date": date.fromisoformat,
    "boolean": {"yes": True, "no": False}.__getitem__,
}


def test_every_file_of_the_export_is_as_its_dictionary_says(stocked: Cast) -> None:
    """Table Schema (specs.frictionlessdata.io/table-schema): fields in their order, types, required, enum, length."""
    answer = stocked.client(stocked.planner).get(reverse("heaters_export:export_file", args=["csv"]))
    with zipfile.ZipFile(io.BytesIO(b"".join(answer.streaming_content))) as package:
        told = json.loads(package.read("datapackage.json"))
        assert len(told["resources"]) == 6
        rows_seen = 0
        for resource in told["resources"]:
            rows = list(csv.reader(io.StringIO(package.read(resource["path"]).decode())))
            fields = resource["schema"]["fields"]
            assert rows[0] == [field["name"] for field in fields]
            for row in rows[1:]:
                rows_seen += 1
                for field, cell in zip(fields, row, strict=True):
                    _check_cell(field, cell)
    answer.close()
    assert rows_seen >= 5


def _check_cell(field: dict[str, Any], cell: str) -> None:
    limits = field.get("constraints", {})
    if cell == "":
        assert not limits.get("required"), field["name"]
        return
    READERS[field["type"]](cell)
    assert cell in limits.get("enum", [cell]), field["name"]
    assert len(cell) <= limits.get("maxLength", len(cell))


def test_the_dictionary_gives_units(in_house: Cast) -> None:
    told = in_house.client(in_house.planner).get(reverse("heaters_export:data_dictionary")).json()
    heaters = next(one for one in told["resources"] if one["name"] == "heaters")
    words = {field["name"]: field.get("description", "") for field in heaters["schema"]["fields"]}
    assert "US gallons" in words["capacity_gal"]
    assert "degrees Fahrenheit" in words["setpoint_f"]
    assert "first day" in words["installed_earliest"]
