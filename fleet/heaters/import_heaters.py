"""Rows of heaters and properties held against the record: who is who, what changed, who stands where.

A heater is known by its tag; without one by its place, its serial number and dates that agree. A row whose heater
has ended and a row that stands in its place afterwards are two heaters in one position, one after the other.
"""

from __future__ import annotations

from typing import Any

from fleet.heaters.dates import ImpreciseDate
from fleet.heaters.headings import LAST_WORK
from fleet.heaters.import_plan import Changes, HeaterChange, Plan
from fleet.heaters.register import (
    BUILDING_FIELDS,
    HEATER_COLUMNS,
    HEATER_DATES,
    HEATER_PLAIN,
    POSITION_FIELDS,
    PROPERTY_FIELDS,
    OnRecord,
    Place,
    name_key,
    without_number,
)
from fleet.heaters.rows import ReadRow, SheetReading, shown

_EMPTY: dict[str, Any] = {
    **dict.fromkeys(
        ("fuel", "maker", "model_number", "serial_number", "ending", "anode_kind", "vent_kind", "notes"), ""
    ),
    "made_precision": "unknown",
    "installed_precision": "unknown",
    "removed_precision": "",
}
_BLANK = tuple(_EMPTY.get(name) for name in HEATER_COLUMNS)


def plan_properties(plan: Plan, reading: SheetReading) -> None:
    register = plan.register
    for row in reading.rows:
        place = register.property(row.values["property"])
        key = (reading.name, row.number)
        plan.note(reading, row, "new" if place.pk is None and not place.values else "same")
        register.learn("property", place, row.values, PROPERTY_FIELDS, key)
        if "softened_since" in row.values:
            for building in place.children.values():
                register.learn("building", building, row.values, ("softened_since",), key)


def plan_heaters(plan: Plan, reading: SheetReading) -> None:
    """Ended heaters first, so that their successors find the place free."""
    rows = sorted(_without_repeats(plan, reading), key=lambda row: not row.values.get("ending"))
    as_written = {row.number: heater for row in rows if (heater := _find_as_written(plan, row)) is not None}
    tells_work = any(match.field in LAST_WORK for match in reading.columns.values())
    for row in rows:
        heater = as_written.get(row.number) or _find(plan, row)
        if heater is None:
            heater = _plan_new(plan, reading, row)
        else:
            heater.claimed = True
            _plan_known(plan, reading, row, heater)
        if tells_work and row.number not in reading.refused:
            plan.told_last.append((reading, row, heater))


def _find_as_written(plan: Plan, row: ReadRow) -> OnRecord | None:
    """For a row without a tag: the heater on record that says exactly what the row says.

    These are paired before any row may claim a heater that only resembles it, so that a file read a second time
    finds each of its heaters again.
    """
    if row.values.get("tag"):
        return None
    position = _position_of(plan, row, create=False)
    if position is None:
        return None
    columns = _columns(row.values)
    full = {name: columns.get(name, blank) for name, blank in zip(HEATER_COLUMNS, _BLANK, strict=True)}
    for heater in plan.register.heaters_at(position):
        if heater.claimed or heater.pk is None:
            continue
        said = dict(full)
        _spare_ages(heater, row.values, said)
        if all(heater.get(name) == value for name, value in said.items()):
            heater.claimed = True
            return heater
    return None


def _without_repeats(plan: Plan, reading: SheetReading) -> list[ReadRow]:
    """Rows in file order without those that name a heater a second time."""
    first: dict[str, ReadRow] = {}
    kept: list[ReadRow] = []
    for row in reading.rows:
        tag = row.values.get("tag")
        earlier = first.setdefault(name_key(tag), row) if tag else row
        if earlier is row:
            kept.append(row)
        elif earlier.values == row.values:
            plan.note(reading, row, "same")
            reading.warn(
                row, "tag", f"this heater stands in row {earlier.number} already, with the same values"
            )
        else:
            reading.refuse(
                row,
                "tag",
                f"the tag '{tag}' stands in row {earlier.number} already, with other values",
                "one row for each heater, each with its own tag",
            )
    return kept


def _place_names(plan: Plan, row: ReadRow) -> tuple[str, str, str]:
    values = row.values
    name = values.get("property")
    if not name:
        known = plan.register.properties
        name = next(iter(known.values())).name if len(known) == 1 else plan.file_stem[:200]
    building = values.get("building") or name
    label = values.get("position") or values.get("room") or values.get("tag") or building
    return name, building, label


def _position_of(plan: Plan, row: ReadRow, create: bool = True) -> Place | None:
    names = _place_names(plan, row)
    register = plan.register
    if create:
        return register.position(register.building(register.property(names[0]), names[1]), names[2])
    place: Place | None = register.properties.get(name_key(names[0]))
    for name in names[1:]:
        place = place.children.get(name_key(name)) if place else None
    return place


def _find(plan: Plan, row: ReadRow) -> OnRecord | None:
    tag = row.values.get("tag")
    if tag:
        return plan.register.by_tag.get(name_key(tag))
    position = _position_of(plan, row, create=False)
    if position is None:
        return None
    candidates = [
        heater
        for heater in plan.register.heaters_at(position)
        if not heater.claimed and heater.pk is not None and _may_be(heater, row)
    ]
    return max(candidates, key=lambda heater: _likeness(heater, row), default=None)


def _known(heater: OnRecord, name: str) -> ImpreciseDate | None:
    earliest, latest = heater.get(f"{name}_earliest"), heater.get(f"{name}_latest")
    if earliest is None or latest is None:
        return None
    return ImpreciseDate(earliest, latest, "between")


def _may_be(heater: OnRecord, row: ReadRow) -> bool:
    """Whether nothing the row says contradicts its being this heater."""
    values = row.values
    serial, written = heater.get("serial_number"), values.get("serial_number", "")
    if serial and written:
        return bool(name_key(serial) == name_key(written))
    for name in ("installed", "removed"):
        on_record, said = _known(heater, name), values.get(name)
        if on_record and said and not on_record.overlaps(said):
            return False
    if heater.get("kind") != values["kind"]:
        return False
    # An ended heater is no match for a row in service unless the row is an old list: then the dates must agree.
    return (
        heater.in_service
        or bool(values.get("ending"))
        or bool(_known(heater, "installed") and values.get("installed"))
    )


def _likeness(heater: OnRecord, row: ReadRow) -> tuple[bool, bool, bool]:
    ended = bool(row.values.get("ending"))
    serial = bool(heater.get("serial_number")) and "serial_number" in row.values
    return serial, heater.in_service != ended, heater.get("capacity_gal") == row.values.get("capacity_gal")


def _columns(values: dict[str, Any]) -> dict[str, Any]:
    columns = {name: values[name] for name in HEATER_PLAIN if name in values}
    for name in HEATER_DATES:
        found: ImpreciseDate | None = values.get(name)
        if found is not None:
            columns[f"{name}_earliest"] = found.earliest
            columns[f"{name}_latest"] = found.latest
            columns[f"{name}_precision"] = found.precision
    if columns.get("ending") and "removed" not in values:
        columns["removed_precision"] = "unknown"
    return columns


def _plan_new(plan: Plan, reading: SheetReading, row: ReadRow) -> OnRecord:
    values = row.values
    base = _position_of(plan, row)
    assert base is not None
    _warn_of_no_property(plan, reading, row, base)
    columns = _columns(values)
    blanks = zip(HEATER_COLUMNS, _BLANK, strict=True)
    heater = OnRecord(
        None, "", base, tuple([columns.get(name, blank) for name, blank in blanks]), claimed=True
    )
    position = heater.position = plan.register.free_slot(base, heater)
    if position is not base:
        _warn_of_two(plan, reading, row, base, heater)
    heater.tag = values.get("tag") or _make_tag(plan, position)
    plan.register.keep(heater)
    plan.new_heaters.append(heater)
    plan.note(reading, row, "new")
    _learn_places(plan, reading, row, position)
    return heater


def _warn_of_no_property(plan: Plan, reading: SheetReading, row: ReadRow, base: Place) -> None:
    """Said once: a property that bears the file's name is seldom what was meant."""
    if "property" in row.values or plan.said_no_property:
        return
    assert base.parent is not None
    assert base.parent.parent is not None
    if base.parent.parent.pk is None:
        plan.said_no_property = True
        name = base.parent.parent.name
        reading.warn(
            row, "property", f"no property is named: a new one is made and named '{name}' after the file"
        )


def _warn_of_two(plan: Plan, reading: SheetReading, row: ReadRow, base: Place, heater: OnRecord) -> None:
    other = plan.register.clash(base, heater)
    where = f"two heaters in one position: '{base.name}' holds {other.tag if other else 'another'} at the same time"
    reading.warn(
        row,
        "position",
        f"{where}; this one is kept as '{heater.position.name}'; if it replaced the other, mend the other's ending",
    )


def _make_tag(plan: Plan, position: Place) -> str:
    assert position.parent is not None
    assert position.parent.parent is not None
    stem = f"{position.parent.name}-{position.name}"
    if name_key(stem) in plan.register.by_tag or position.parent.name == position.name:
        stem = f"{position.parent.parent.name}-{position.name if position.parent.name == position.name else stem}"
    stem = shown(stem)[:70]
    tag, number = stem, 2
    while name_key(tag) in plan.register.by_tag:
        tag, number = f"{stem}-{number}", number + 1
    return tag


def _plan_known(plan: Plan, reading: SheetReading, row: ReadRow, heater: OnRecord) -> None:
    columns = _columns(row.values)
    _spare_what_is_better_known(heater, row.values, columns)
    changes: Changes = {
        name: (heater.get(name), value) for name, value in columns.items() if heater.get(name) != value
    }
    before = heater.columns
    if changes:
        heater.columns = tuple(
            [columns.get(name, old) for name, old in zip(HEATER_COLUMNS, before, strict=True)]
        )
    problem = _impossible(plan, heater) if changes else ""
    if problem:
        heater.columns = before
        reading.refuse(row, "removed", problem, "dates that leave each heater its own time in the position")
        return
    if not heater.in_service and heater.position.occupant is heater:
        heater.position.occupant = None
    moved_from = _move_if_said(plan, reading, row, heater)
    if moved_from is not None:
        changes["position"] = (moved_from.name, heater.position.name)
    if changes:
        plan.changed_heaters.append(HeaterChange(heater, changes, moved_from))
    plan.note(reading, row, "changed" if changes else "same")
    _learn_places(plan, reading, row, heater.position)


def _spare_what_is_better_known(heater: OnRecord, values: dict[str, Any], columns: dict[str, Any]) -> None:
    """An age confirms a recorded date without nudging it, and 'ended, day unknown' does not erase a known day."""
    _spare_ages(heater, values, columns)
    if "removed" not in values and not heater.in_service:
        columns.pop("removed_precision", None)
    if not heater.in_service and columns.get("ending") == "removed" and "removed" in values:
        # 'removed' is what a bare date says; it does not overwrite a cause that is on record.
        del columns["ending"]


def _spare_ages(heater: OnRecord, values: dict[str, Any], columns: dict[str, Any]) -> None:
    for name in HEATER_DATES:
        said, on_record = values.get(name), _known(heater, name)
        if said is not None and said.from_age and on_record and on_record.overlaps(said):
            for part in ("earliest", "latest", "precision"):
                del columns[f"{name}_{part}"]


def _impossible(plan: Plan, heater: OnRecord) -> str:
    start, end = heater.get("installed_earliest"), heater.get("removed_latest")
    if start and end and end < start:
        return f"it would leave service ({end}) before it was put in ({start})"
    other = plan.register.clash(heater.position, heater)
    if other is not None:
        return f"it would stand in its position at the same time as heater {other.tag}"
    return ""


def _move_if_said(plan: Plan, reading: SheetReading, row: ReadRow, heater: OnRecord) -> Place | None:
    """Move the heater when the row names another place; returns where it stood before."""
    said, here = row.values, heater.position
    assert here.parent is not None
    assert here.parent.parent is not None
    own = {
        "property": (here.parent.parent.name,),
        "building": (here.parent.name,),
        "position": (here.name, without_number(here.name)),
    }
    if all(name not in said or name_key(said[name]) in map(name_key, names) for name, names in own.items()):
        return None
    register = plan.register
    building = register.building(
        register.property(said.get("property", here.parent.parent.name)),
        said.get(
            "building", said.get("property", here.parent.name) if "property" in said else here.parent.name
        ),
    )
    base = register.position(building, said.get("position", here.name))
    slot = register.free_slot(base, heater)
    if slot is here:
        return None
    register.move(heater, slot)
    if slot is not base:
        _warn_of_two(plan, reading, row, base, heater)
    return here


def _learn_places(plan: Plan, reading: SheetReading, row: ReadRow, position: Place) -> None:
    key = (reading.name, row.number)
    building = position.parent
    assert building is not None
    assert building.parent is not None
    register = plan.register
    register.learn("position", position, row.values, POSITION_FIELDS, key)
    register.learn("building", building, row.values, BUILDING_FIELDS, key)
    register.learn("property", building.parent, row.values, PROPERTY_FIELDS, key)
