"""COBie sheets in a file that comes in: Component, Type, Space and Attribute read as one sheet of heaters.

The sheet has the row numbers of the Component sheet, so that what is refused is found again there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from fleet.heaters.cobie import ATTRIBUTES, INSTALLED, NOT_KNOWN
from fleet.heaters.exporting import restored

HEADINGS = [
    *(
        "Property",
        "Building",
        "Position",
        "Floor",
        "Room",
        "Tag",
        "Kind",
        "Make",
        "Model",
        "Serial",
        "Installed",
    ),
    *("Warranty years", "Capacity gal", "Input BTU/h", "Set point F", "Relief valve psi"),
]
_FROM_ATTRIBUTES = (*ATTRIBUTES, INSTALLED)
Row = dict[str, Any]
Grid = Sequence[Sequence[Any]]


def heaters_of(grids: Mapping[str, Grid]) -> list[list[Any]] | None:
    """The heaters of a COBie file under HEADINGS, one row for each row of Component; None where it is no COBie.

    In COBie the first row holds the headings; they are not looked for, since a row below may read like some.
    """
    component = grids.get("Component")
    if not component or "Type" not in grids or not {"Name", "TypeName", "Space"} <= set(component[0]):
        return None
    types, spaces = _keyed(grids["Type"]), _keyed(grids.get("Space", []))
    facility = next(iter(_rows(grids.get("Facility", []))), {})
    attributes = _attributes_of(grids.get("Attribute", []))
    return [
        _heater(row, types, spaces, facility, attributes.get(row.get("Name", ""), {}))
        for row in _rows(component)
    ]


def _rows(grid: Grid) -> list[Row]:
    if not grid:
        return []
    headings = [str(cell).strip() for cell in grid[0]]
    return [
        {heading: _known(value) for heading, value in zip(headings, row, strict=False)} for row in grid[1:]
    ]


def _known(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    text = restored(value.strip())
    return "" if text.casefold() == NOT_KNOWN else text


def _keyed(grid: Grid) -> dict[str, Row]:
    return {str(row.get("Name", "")): row for row in _rows(grid)}


def _attributes_of(grid: Grid) -> dict[Any, Row]:
    found: dict[Any, Row] = {}
    for row in _rows(grid):
        if row.get("SheetName") == "Component" and row.get("Name") in _FROM_ATTRIBUTES:
            found.setdefault(row.get("RowName"), {})[row["Name"]] = row.get("Value", "")
    return found


def _heater(row: Row, types: dict[str, Row], spaces: dict[str, Row], facility: Row, more: Row) -> list[Any]:
    """One row of the sheet of heaters; a component that is no heater is left empty, which is passed over."""
    kind = types.get(str(row.get("TypeName", "")), {})
    words = str(kind.get("Description") or row.get("Description") or "")
    if not _is_heater(words, str(kind.get("Category", "")), str(kind.get("Name", ""))):
        return [""] * len(HEADINGS)
    space = spaces.get(str(row.get("Space", "")), {})
    return [
        facility.get("SiteName") or facility.get("ProjectName") or facility.get("Name") or "",
        facility.get("Name", ""),
        row.get("Space", ""),
        space.get("FloorName", ""),
        space.get("RoomTag", ""),
        row.get("TagNumber") or row.get("Name", ""),
        words,
        kind.get("Manufacturer", ""),
        kind.get("ModelNumber", ""),
        row.get("SerialNumber", ""),
        row.get("InstallationDate") or more.get(INSTALLED, ""),
        _in_years(kind),
        *(more.get(name, "") for name in ATTRIBUTES),
    ]


def _in_years(kind: Row) -> Any:
    duration, unit = (
        kind.get("WarrantyDurationParts", ""),
        str(kind.get("WarrantyDurationUnit", "")).casefold(),
    )
    if duration in ("", None):
        return ""
    try:
        number = float(duration)
    except (TypeError, ValueError):
        return duration
    return number / 12 if unit.startswith("month") else number


def _is_heater(*words: str) -> bool:
    from fleet.heaters.dates import UnreadableValue
    from fleet.heaters.trade_words import read_kind_words

    said = " ".join(words).casefold()
    if "heater" in said:
        return True
    try:
        read_kind_words(words[0])
    except UnreadableValue:
        return False
    return bool(words[0])
