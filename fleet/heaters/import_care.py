"""Rows of past service and of water tests held against the record."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from fleet.estate.bulk_rows import in_parts
from fleet.heaters.dates import ImpreciseDate
from fleet.heaters.headings import LAST, LAST_WORK
from fleet.heaters.import_plan import Changes, NewService, NewWater, Plan, RowChange
from fleet.heaters.models import ServiceRecord, WaterTest
from fleet.heaters.register import OnRecord, Place, name_key
from fleet.heaters.rows import ReadRow, SheetReading

HEATERS_AT_ONCE = 5000
SERVICE_FIELDS = ("anode_left_fraction", "setpoint_f", "cost", "done_by", "notes")
WATER_FIELDS = (
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


def _date_columns(name: str, said: ImpreciseDate | None) -> dict[str, Any]:
    if said is None:
        return {f"{name}_earliest": None, f"{name}_latest": None, f"{name}_precision": "unknown"}
    return {
        f"{name}_earliest": said.earliest,
        f"{name}_latest": said.latest,
        f"{name}_precision": said.precision,
    }


def _services_of(heater_ids: Collection[int]) -> dict[Any, tuple[int, dict[str, Any]]]:
    """Work on record of the heaters that a file speaks of: its number and what it says, by heater, kind and days."""
    found: dict[Any, tuple[int, dict[str, Any]]] = {}
    for some in in_parts(sorted(heater_ids), HEATERS_AT_ONCE):
        rows = ServiceRecord.objects.filter(heater_id__among=some).order_by("id")
        for pk, heater_id, kind, earliest, latest, *values in rows.values_list(
            "id", "heater_id", "kind", "done_earliest", "done_latest", *SERVICE_FIELDS
        ):
            found[heater_id, kind, earliest, latest] = (pk, dict(zip(SERVICE_FIELDS, values, strict=True)))
    return found


def plan_services(plan: Plan, reading: SheetReading) -> None:
    told = [
        (row, heater)
        for row in reading.rows
        if (heater := _heater_of(plan, reading, row)) is not None and _lived_then(reading, row, heater)
    ]
    on_record = _services_of({heater.pk for _, heater in told if heater.pk})
    in_file: dict[Any, NewService] = {}
    for row, heater in told:
        columns = {"kind": row.values["work"], **_date_columns("done", row.values.get("done"))}
        said = {name: row.values[name] for name in SERVICE_FIELDS if name in row.values}
        key = (_key(heater), columns["kind"], columns["done_earliest"], columns["done_latest"])
        if key in on_record:
            pk, before = on_record[key]
            _note_change(plan, reading, row, plan.changed_services, pk, before, said, str(heater.tag))
        elif key in in_file:
            in_file[key].columns.update(said)
            plan.note(reading, row, "same")
            reading.warn(row, "work", "the same work on the same day is in the file already")
        else:
            in_file[key] = NewService(heater, {**columns, **said})
            plan.new_services.append(in_file[key])
            plan.note(reading, row, "new")


def plan_last_work(plan: Plan) -> None:
    """What rows of heaters say of the last work of a kind: work done, unless work of that kind and time is known."""
    known: dict[tuple[int, str], list[tuple[Any, Any]]] = {}
    on_record = _services_of({heater.pk for _, _, heater in plan.told_last if heater.pk})
    for heater_id, kind, earliest, latest in on_record:
        known.setdefault((heater_id, kind), []).append((earliest, latest))
    for one in plan.new_services:
        days = (one.columns["done_earliest"], one.columns["done_latest"])
        known.setdefault((_key(one.heater), one.columns["kind"]), []).append(days)
    for reading, row, heater in plan.told_last:
        for name in LAST_WORK:  # in their order: a file's rows are written alike each time
            done: ImpreciseDate | None = row.values.get(name)
            if done is None:
                continue
            kind = name.removeprefix(LAST)
            there = known.setdefault((_key(heater), kind), [])
            if any(done.overlaps(ImpreciseDate.between(*days)) for days in there if None not in days):
                continue
            if not _stood_there(heater, done):
                reading.warn(row, name, f"heater {heater.tag} was not in service on {done}: left out")
                continue
            there.append((done.earliest, done.latest))
            plan.new_services.append(NewService(heater, {"kind": kind, **_date_columns("done", done)}))
            if plan.outcome.get((reading.name, row.number)) == "same":
                plan.note(reading, row, "changed")


def _key(heater: OnRecord) -> int:
    return heater.pk or id(heater)


def _note_change(
    plan: Plan,
    reading: SheetReading,
    row: ReadRow,
    changed: list[RowChange],
    pk: int,
    before: dict[str, Any],
    said: dict[str, Any],
    label: str,
) -> None:
    changes: Changes = {name: (before[name], value) for name, value in said.items() if before[name] != value}
    if changes:
        changed.append(RowChange(pk, changes, label))
        before.update(said)
    plan.note(reading, row, "changed" if changes else "same")


def _heater_of(plan: Plan, reading: SheetReading, row: ReadRow) -> OnRecord | None:
    tag = row.values.get("tag")
    if tag:
        heater = plan.register.by_tag.get(name_key(tag))
        if heater is None:
            refused = plan.refused_tags.get(name_key(tag))
            problem, right = (
                (f"heater '{tag}' is refused in {refused}", "mend that row as well, then this one is taken")
                if refused
                else (f"there is no heater '{tag}'", "a tag that is on record or in the heater sheet")
            )
            reading.refuse(row, "tag", problem, right)
        return heater
    position = _known_position(plan, row)
    heaters = plan.register.heaters_at(position) if position else []
    done: ImpreciseDate | None = row.values.get("done")
    there = [heater for heater in heaters if _stood_there(heater, done)]
    if len(there) != 1:
        problem = "no heater stood there then" if not there else "more than one heater stood there then"
        reading.refuse(row, "position", problem, "the heater's tag, or a place where one heater stands")
        return None
    return there[0]


def _known_position(plan: Plan, row: ReadRow) -> Place | None:
    properties = plan.register.properties
    name = row.values.get("property")
    if name is None and len(properties) == 1:
        name = next(iter(properties))
    place = properties.get(name_key(name)) if name else None
    for part in (row.values.get("building") or (place.name if place else ""), row.values.get("position", "")):
        place = place.children.get(name_key(part)) if place else None
    return place


def _stood_there(heater: OnRecord, done: ImpreciseDate | None) -> bool:
    if done is None or done.earliest is None or done.latest is None:
        return heater.in_service
    start, end = heater.get("installed_earliest"), heater.get("removed_latest")
    return (start is None or start <= done.latest) and (end is None or done.earliest <= end)


def _lived_then(reading: SheetReading, row: ReadRow, heater: OnRecord) -> bool:
    done: ImpreciseDate | None = row.values.get("done")
    if done is None or _stood_there(heater, done):
        return True
    start, end = heater.get("installed_earliest"), heater.get("removed_latest")
    until = f" and {end}" if end else " and today"
    reading.refuse(
        row,
        "done",
        f"heater {heater.tag} was not in service on {done}",
        f"a day between {start or 'its installation'}{until}",
    )
    return False


def plan_waters(plan: Plan, reading: SheetReading) -> None:
    rows = WaterTest.objects.filter(organisation_id=plan.register.organisation_id)
    on_record: dict[Any, tuple[int, dict[str, Any]]] = {}
    for pk, property_id, building_id, treatment, earliest, latest, *values in rows.values_list(
        "id", "property_id", "building_id", "treatment", "tested_earliest", "tested_latest", *WATER_FIELDS
    ):
        key = (property_id, building_id, treatment, earliest, latest)
        on_record[key] = (pk, dict(zip(WATER_FIELDS, values, strict=True)))
    in_file: dict[Any, NewWater] = {}
    for row in reading.rows:
        place, building = _sampled_place(plan, row)
        columns = {
            "treatment": row.values.get("treatment", "raw"),
            **_date_columns("tested", row.values.get("tested")),
        }
        said = {name: row.values[name] for name in WATER_FIELDS if name in row.values}
        days = (columns["treatment"], columns["tested_earliest"], columns["tested_latest"])
        key = (place.pk or id(place), (building.pk or id(building)) if building else None, *days)
        if key in on_record:
            pk, before = on_record[key]
            _note_change(plan, reading, row, plan.changed_waters, pk, before, said, place.name)
        elif key in in_file:
            in_file[key].columns.update(said)
            plan.note(reading, row, "same")
            reading.warn(row, "tested", "a water test of that place and day is in the file already")
        else:
            in_file[key] = NewWater(place, building, {**columns, **said})
            plan.new_waters.append(in_file[key])
            plan.note(reading, row, "new")


def _sampled_place(plan: Plan, row: ReadRow) -> tuple[Place, Place | None]:
    register = plan.register
    name = row.values.get("property")
    if not name:
        known = register.properties
        name = next(iter(known.values())).name if len(known) == 1 else plan.file_stem[:200]
    place = register.property(name)
    building = row.values.get("building")
    return place, register.building(place, building) if building else None
