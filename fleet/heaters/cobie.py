"""A building's heaters as COBie sheets, the open hand-over format for building equipment.

Columns and their order: National BIM Standard - United States, version 3, section 4.2, 'Construction Operations
Building information exchange (COBie)', version 2.4, spreadsheet form. A COBie file describes one facility; here that
is one building. What COBie has no column for (capacity, input, set point, a day known only to the year) goes into its
Attribute sheet, with its unit.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import IO, Any

from django.db.models import Q
from openpyxl import Workbook
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

from fleet.estate.models import Building
from fleet.heaters.dates import ImpreciseDate
from fleet.heaters.exporting import neutralised
from fleet.heaters.models import Heater

NOT_KNOWN = "n/a"
_HEAD = ("Name", "CreatedBy", "CreatedOn")
_EXTERNAL = ("ExtSystem", "ExtObject", "ExtIdentifier")
SHEETS: dict[str, tuple[str, ...]] = {
    "Contact": (
        *("Email", "CreatedBy", "CreatedOn", "Category", "Company", "Phone", *_EXTERNAL, "Department"),
        *("OrganizationCode", "GivenName", "FamilyName", "Street", "PostalBox", "Town", "StateRegion"),
        *("PostalCode", "Country"),
    ),
    "Facility": (
        *(*_HEAD, "Category", "ProjectName", "SiteName", "LinearUnits", "AreaUnits", "VolumeUnits"),
        *("CurrencyUnit", "AreaMeasurement", "ExternalSystem", "ExternalProjectObject"),
        *("ExternalProjectIdentifier", "ExternalSiteObject", "ExternalSiteIdentifier"),
        *("ExternalFacilityObject", "ExternalFacilityIdentifier", "Description", "ProjectDescription"),
        *("SiteDescription", "Phase"),
    ),
    "Floor": (*_HEAD, "Category", *_EXTERNAL, "Description", "Elevation", "Height"),
    "Space": (
        *(*_HEAD, "Category", "FloorName", "Description", *_EXTERNAL),
        *("RoomTag", "UsableHeight", "GrossArea", "NetArea"),
    ),
    "Type": (
        *(*_HEAD, "Category", "Description", "AssetType", "Manufacturer", "ModelNumber"),
        *("WarrantyGuarantorParts", "WarrantyDurationParts", "WarrantyGuarantorLabor"),
        *("WarrantyDurationLabor", "WarrantyDurationUnit", *_EXTERNAL, "ReplacementCost", "ExpectedLife"),
        *("DurationUnit", "WarrantyDescription", "NominalLength", "NominalWidth", "NominalHeight"),
        *("ModelReference", "Shape", "Size", "Color", "Finish", "Grade", "Material", "Constituents"),
        *("Features", "AccessibilityPerformance", "CodePerformance", "SustainabilityPerformance"),
    ),
    "Component": (
        *(*_HEAD, "TypeName", "Space", "Description", *_EXTERNAL, "SerialNumber", "InstallationDate"),
        *("WarrantyStartDate", "TagNumber", "BarCode", "AssetIdentifier"),
    ),
    "Attribute": (
        *(*_HEAD, "Category", "SheetName", "RowName", "Value", "Unit", *_EXTERNAL),
        *("Description", "AllowedValues"),
    ),
}
# Attribute name -> (our field, unit).
ATTRIBUTES = {
    "Capacity": ("capacity_gal", "US gal"),
    "Input": ("input_btu_h", "Btu/h"),
    "SetPoint": ("setpoint_f", "deg F"),
    "ReliefValvePressure": ("relief_valve_psi", "psi"),
}
INSTALLED = "Installed"
Row = dict[str, Any]


def write_cobie(building: Building, contact: str, now: datetime, out: IO[bytes]) -> dict[str, int]:
    """Write the building's heaters in service; returns rows per sheet. `contact` answers for the data."""
    heaters = list(
        Heater.objects.filter(Q(position__building=building), ending="")
        .select_related("position")
        .order_by("tag")
    )
    stamp = {"CreatedBy": contact, "CreatedOn": now.strftime("%Y-%m-%dT%H:%M:%S")}
    sheets = {
        "Contact": [{"Email": contact, "Category": "Owner", "Company": str(building.organisation)}],
        "Facility": [_facility(building)],
        "Floor": [
            {"Name": floor, "Category": "Floor"} for floor in sorted({_floor(heater) for heater in heaters})
        ],
        "Space": _spaces(heaters),
        "Type": list({_type_name(heater): _type(heater) for heater in heaters}.values()),
        "Component": [_component(heater) for heater in heaters],
        "Attribute": [row for heater in heaters for row in _attributes(heater)],
    }
    book = Workbook(write_only=True)
    for name, columns in SHEETS.items():
        sheet = book.create_sheet(name)
        sheet.append(columns)
        for row in sheets[name]:
            whole = stamp | row
            sheet.append([_cell(whole.get(column)) for column in columns])
    book.save(out)
    return {name: len(rows) for name, rows in sheets.items()}


def _cell(value: Any) -> Any:
    if value is None or value == "":
        return NOT_KNOWN
    return neutralised(ILLEGAL_CHARACTERS_RE.sub("\ufffd", value)) if isinstance(value, str) else value


def _facility(building: Building) -> Row:
    place = building.property
    return {
        "Name": building.name,
        "Category": "Building",
        "ProjectName": place.name,
        "SiteName": place.name,
        "LinearUnits": "inches",
        "AreaUnits": "square feet",
        "VolumeUnits": "gallons",
        "CurrencyUnit": place.currency,
        "Description": place.address,
    }


def _floor(heater: Heater) -> str:
    return heater.position.floor or NOT_KNOWN


def _spaces(heaters: Iterable[Heater]) -> list[Row]:
    return [
        {
            "Name": heater.position.label,
            "Category": "Space",
            "FloorName": _floor(heater),
            "Description": heater.position.room or heater.position.label,
            "RoomTag": heater.position.room,
        }
        for heater in heaters
    ]


def _type_name(heater: Heater) -> str:
    """One type for each make, model, kind, warranty: named so that a person knows it again."""
    parts = [heater.get_kind_display(), heater.maker, heater.model_number]
    if heater.warranty_years:
        parts.append(f"{heater.warranty_years:g} years")
    return ", ".join(part for part in parts if part)


def _type(heater: Heater) -> Row:
    return {
        "Name": _type_name(heater),
        "Category": "Domestic water heater",
        "Description": heater.get_kind_display(),
        "AssetType": "Fixed",
        "Manufacturer": heater.maker,
        "ModelNumber": heater.model_number,
        "WarrantyDurationParts": heater.warranty_years,
        "WarrantyDurationUnit": "year",
        "DurationUnit": "year",
    }


def _component(heater: Heater) -> Row:
    exact = heater.installed_precision == "day" and heater.installed_earliest is not None
    return {
        "Name": heater.tag,
        "TypeName": _type_name(heater),
        "Space": heater.position.label,
        "Description": heater.get_kind_display(),
        "SerialNumber": heater.serial_number,
        "InstallationDate": heater.installed_earliest.isoformat() if exact else None,  # type: ignore[union-attr]
        "TagNumber": heater.tag,
        "AssetIdentifier": heater.tag,
    }


def _attributes(heater: Heater) -> list[Row]:
    rows = [
        {"Name": name, "Value": f"{getattr(heater, field):g}", "Unit": unit}
        for name, (field, unit) in ATTRIBUTES.items()
        if getattr(heater, field) is not None
    ]
    if heater.installed_precision not in ("day", "unknown", ""):
        precision: Any = heater.installed_precision
        known = ImpreciseDate(heater.installed_earliest, heater.installed_latest, precision)
        rows.append({"Name": INSTALLED, "Value": str(known), "Unit": "date, as exactly as it is known"})
    return [{"Category": "Recorded", "SheetName": "Component", "RowName": heater.tag, **row} for row in rows]
