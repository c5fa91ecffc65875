"""The verbs of importing: keep a file, preview it, take it in. Each one transaction; the only code that writes here."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import date
from typing import Any

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import DatabaseError, IntegrityError, transaction
from django.utils import timezone

from fleet.estate.background import enqueue
from fleet.estate.bulk_rows import in_parts, look_at_what_has_grown, new_ids, write_columns
from fleet.estate.calendar import today_of
from fleet.estate.collecting import uncollected
from fleet.estate.history import Change, record_change, record_changes
from fleet.estate.models import Building, Position, Property
from fleet.estate.rounds import record_changed
from fleet.estate.scope import ScopedModel, ScopeMissing, current_scope
from fleet.heaters import scanner
from fleet.heaters.headings import plain
from fleet.heaters.import_care import SERVICE_FIELDS, WATER_FIELDS
from fleet.heaters.import_plan import HeaterChange, Plan, RowChange
from fleet.heaters.importing import (
    Columns,
    Comparison,
    Progress,
    UnansweredQuestion,
    UnreadableFile,
    columns_of,
    compare,
    examples_of,
    guess,
    to_keep,
)
from fleet.heaters.models import Heater, ImportBatch, RememberedHeading, ServiceRecord, WaterTest
from fleet.heaters.refused import refused_files
from fleet.heaters.register import (
    BUILDING_FIELDS,
    DATE_PARTS,
    HEATER_COLUMNS,
    POSITION_FIELDS,
    PROPERTY_FIELDS,
    OnRecord,
    Place,
)
from fleet.heaters.workbook import Workbook, decode, open_workbook
from fleet.pages.words import how_many

CHUNK = 2000
WRITTEN_AT_ONCE = 50_000
TURNS = 3
DEADLOCK = "40P01"  # PostgreSQL's code
Written = dict[str, Sequence[Any]]  # column by column
SERVICE_COLUMNS = ("kind", *(f"done_{part}" for part in DATE_PARTS), *SERVICE_FIELDS)
WATER_COLUMNS = ("treatment", *(f"tested_{part}" for part in DATE_PARTS), *WATER_FIELDS)
PLACES: tuple[tuple[str, type[ScopedModel], str, str, tuple[str, ...]], ...] = (
    ("property", Property, "name", "", PROPERTY_FIELDS),
    ("building", Building, "name", "property_id", BUILDING_FIELDS),
    ("position", Position, "label", "building_id", POSITION_FIELDS),
)
SHOWN_REMARKS = 500


class NothingTaken(ValueError):
    """The whole import was called off; nothing was written. The message says why."""


@uncollected()
@transaction.atomic
def keep_file(
    content: bytes,
    file_name: str,
    organisation_id: int,
    encoding: str = "",
    mended: Mapping[str, str] | None = None,
) -> ImportBatch:
    """Store an upload and guess its columns. Raises UnreadableFile when it is no sheet of ours."""
    if refused := scanner.refusal(content):
        raise UnreadableFile(refused)
    book = open_workbook(content, file_name, encoding)
    scope = current_scope()
    if not scope.allows(organisation_id):
        raise ScopeMissing("This file would belong to an organisation outside the current scope.")
    batch = ImportBatch.objects.create(
        organisation_id=organisation_id,
        file_name=file_name[-200:],
        sha256=book.sha256,
        size_bytes=len(content),
        columns=to_keep(guess(book, organisation_id, mended)) | {"examples": examples_of(book)},
        person_id=scope.person_id,
    )
    _remember(batch, {plain(heading) for heading in mended or {}})
    # A text in an encoding that had to be told is kept in one that need not be.
    kept = decode(content, encoding)[0].encode("utf-8-sig") if encoding else content
    try:
        batch.stored = default_storage.save(f"imports/{organisation_id}/{batch.pk}", ContentFile(kept))
    except OSError as error:
        raise UnreadableFile(f"The file could not be kept on this computer ({error.strerror}).") from error
    batch.save(update_fields=["stored"])
    return batch


def _remember(batch: ImportBatch, headings: Collection[str]) -> None:
    """Keep these headings of the batch for the next file of the organisation."""
    for matches in columns_of(batch).values():
        kind = matches.get("", "")
        for heading, name in matches.items():
            if kind and heading and plain(heading) in headings:
                RememberedHeading.objects.update_or_create(
                    organisation_id=batch.organisation_id,
                    sheet_kind=kind,
                    heading=plain(heading)[:200],
                    defaults={"field": name},
                )


@uncollected()
def kept_book(batch: ImportBatch) -> Workbook:
    try:
        with default_storage.open(batch.stored) as stored:
            content = stored.read()
    except OSError as error:
        raise UnreadableFile("The uploaded file is no longer kept. Send it again.") from error
    return open_workbook(content, batch.file_name)


@transaction.atomic
def mend_columns(batch: ImportBatch, columns: Columns, date_order: str = "") -> None:
    """Use these columns for the file and remember, for the next one, those that a person changed."""
    before, batch.columns = columns_of(batch), batch.columns | to_keep(columns)
    changed = {
        plain(heading)
        for sheet, matches in columns.items()
        for heading, name in matches.items()
        if matches.get("") == before.get(sheet, {}).get("") and before.get(sheet, {}).get(heading) != name
    }
    _remember(batch, changed)
    batch.date_order = date_order if date_order in ("mdy", "dmy") else ""
    batch.save(update_fields=["columns", "date_order"])


def preview(batch: ImportBatch, as_of: date, progress: Progress | None = None) -> Comparison:
    """Hold the file against the record and keep what was found with the batch."""
    comparison = held_against_record(batch, kept_book(batch), as_of, progress)
    batch.preview = summary(comparison) | {"as_of": spoken_on(batch, as_of).isoformat()}
    batch.counts = comparison.counts
    batch.state = ImportBatch.State.PREVIEWED
    batch.save(update_fields=["preview", "counts", "state"])
    return comparison


@uncollected()
def held_against_record(
    batch: ImportBatch, book: Workbook, as_of: date, progress: Progress | None = None
) -> Comparison:
    """The batch's file by the columns and the order of dates that are kept with it."""
    columns, day = columns_of(batch), spoken_on(batch, as_of)
    return compare(book, batch.organisation_id, columns, day, batch.date_order, progress)


def refused_sheets(batch: ImportBatch) -> dict[str, str]:
    """By sheet, the refused rows as text to mend and send again. UnreadableFile where the file is no longer kept."""
    return refused_files(held_against_record(batch, kept_book(batch), today_of(batch.organisation)))


def spoken_on(batch: ImportBatch, as_of: date) -> date:
    """Ages count back from the day the file was first read, so that reading it again changes nothing."""
    kept = batch.preview.get("as_of")
    return date.fromisoformat(kept) if kept else as_of


def summary(comparison: Comparison) -> dict[str, Any]:
    """What the preview shows, bounded: the refused file holds every refusal."""
    refusals, warnings = comparison.refusals, comparison.warnings
    return {
        "sheets": [{"sheet": sheet, **counts} for sheet, counts in comparison.counts_by_sheet.items()],
        "left_out": comparison.left_out,
        "questions": [
            {"sheet": one.sheet, "heading": one.heading, "example": one.example}
            for one in comparison.questions
        ],
        "refusals_total": len(refusals),
        "warnings_total": len(warnings),
        "refusals": [_remark(one) for one in refusals[:SHOWN_REMARKS]],
        "warnings": [_remark(one) for one in warnings[:SHOWN_REMARKS]],
    }


def _remark(remark: Any) -> dict[str, Any]:
    return {name: getattr(remark, name) for name in ("sheet", "row", "column", "value", "problem", "right")}


@transaction.atomic
def note_failure(batch: ImportBatch, why: str) -> None:
    """Keep with the batch why nothing was taken in."""
    batch.state = ImportBatch.State.FAILED
    batch.preview = {**batch.preview, "failure": why}
    batch.save(update_fields=["state", "preview"])


@transaction.atomic
def ask_for(batch: ImportBatch, kind: str, as_of: date, all_or_nothing: bool = False) -> None:
    """Leave the work to the background; the batch's page shows how far it is."""
    payload = {"batch": batch.pk, "as_of": as_of.isoformat(), "all_or_nothing": all_or_nothing}
    batch.job = enqueue(kind, payload, batch.organisation_id, unique_key=f"import {batch.pk}")
    batch.save(update_fields=["job"])


def accept(
    batch: ImportBatch, as_of: date, all_or_nothing: bool = False, progress: Progress | None = None
) -> Comparison:
    """Take the good rows in, or, with `all_or_nothing`, all rows or none. One transaction: whole or not at all.

    Files may be taken in side by side. Where two of them add the same heater or place, the later one finds it in its way
    when it writes, and is held against the record once more, which has it by then.
    """
    if progress:
        progress(0.05, "Reading the file")
    book = kept_book(batch)
    if progress:
        progress(0.2, "Comparing with the record and writing")
    for turn in range(1, TURNS + 1):
        try:
            comparison = _taken(batch, book, as_of, all_or_nothing)
            break
        except DatabaseError as error:
            if turn == TURNS or not _met_another(error):
                raise NothingTaken(
                    f"The database could not take the rows ({error}): nothing was imported."
                ) from error
    plan = comparison.plan
    places, heaters = len(plan.register.new_places["position"]), len(plan.new_heaters)
    look_at_what_has_grown({Position: places, Heater: heaters, ServiceRecord: len(plan.new_services)})
    return comparison


@uncollected()
@transaction.atomic
def _taken(batch: ImportBatch, book: Workbook, as_of: date, all_or_nothing: bool) -> Comparison:
    comparison = held_against_record(batch, book, as_of)
    if comparison.questions:
        raise UnansweredQuestion(comparison.questions)
    if all_or_nothing and comparison.refusals:
        count = comparison.counts["refused"]
        raise NothingTaken(
            f"Refused: {how_many(count, 'row')}. All or nothing was asked for, so nothing was imported."
        )
    take(comparison.plan, batch)
    _finish(batch, comparison, as_of, all_or_nothing)
    return comparison


def _met_another(error: DatabaseError) -> bool:
    """Whether somebody else wrote what was about to be written, or both waited for each other."""
    return isinstance(error, IntegrityError) or getattr(error.__cause__, "sqlstate", "") == DEADLOCK


def _finish(batch: ImportBatch, comparison: Comparison, as_of: date, all_or_nothing: bool) -> None:
    counts = comparison.counts
    if not comparison.plan.is_empty:
        record_change(batch, "imported", {name: (None, count) for name, count in counts.items()})
        record_changed(batch.organisation_id)
    batch.preview = summary(comparison) | {"as_of": spoken_on(batch, as_of).isoformat()}
    batch.counts, batch.all_or_nothing, batch.state = counts, all_or_nothing, ImportBatch.State.TAKEN
    batch.save(update_fields=["preview", "counts", "all_or_nothing", "state"])


@transaction.atomic
def take(plan: Plan, batch: ImportBatch) -> None:
    """Write a plan: places, then endings and changes, then new heaters, then their service and the water."""
    scope, organisation_id = current_scope(), plan.register.organisation_id
    if not scope.allows(organisation_id):
        raise ScopeMissing("These rows belong to an organisation outside the current scope.")
    _write_places(plan, organisation_id)
    _change_heaters(plan.changed_heaters)
    _numbered(Heater, plan.new_heaters)
    _create(Heater, _columns_of_heaters(plan.new_heaters), organisation_id)
    services = [one.columns for one in plan.new_services]
    done: Written = {"heater_id": [one.heater.pk for one in plan.new_services]}
    _create(ServiceRecord, done | _said(ServiceRecord, SERVICE_COLUMNS, services), organisation_id)
    waters = [one.columns for one in plan.new_waters]
    sampled: Written = {
        "property_id": [one.property.pk for one in plan.new_waters],
        "building_id": [one.building.pk if one.building else None for one in plan.new_waters],
    }
    _create(WaterTest, sampled | _said(WaterTest, WATER_COLUMNS, waters), organisation_id)
    _change_rows(ServiceRecord, plan.changed_services)
    _change_rows(WaterTest, plan.changed_waters)


def _create(model: type[ScopedModel], columns: Written, organisation_id: int) -> None:
    """Write new rows of these columns, very many of them in few statements."""
    count = len(next(iter(columns.values())))
    for at in range(0, count, WRITTEN_AT_ONCE):
        some = {name: values[at : at + WRITTEN_AT_ONCE] for name, values in columns.items()}
        write_columns(model, some | {"organisation_id": [organisation_id] * min(WRITTEN_AT_ONCE, count - at)})


def _numbered(model: type[ScopedModel], items: Sequence[OnRecord | Place]) -> None:
    """Give new heaters or places their numbers, before what stands in them asks for them."""
    for item, number in zip(items, new_ids(model, len(items)) if items else [], strict=True):
        item.pk = number


def _columns_of_heaters(heaters: Sequence[OnRecord]) -> Written:
    columns = zip(*[one.columns for one in heaters], strict=True)
    return {
        "id": [one.pk for one in heaters],
        "position_id": [one.position.pk for one in heaters],
        "tag": [one.tag for one in heaters],
        **dict(zip(HEATER_COLUMNS, columns, strict=bool(heaters))),
    }


def _said(model: type[ScopedModel], names: Sequence[str], rows: Sequence[Mapping[str, Any]]) -> Written:
    """Column by column what is said of each row, and the model's own value where nothing is. A column of which no row
    says anything is left out: the writer fills it."""
    anywhere = set[str]().union(*rows)
    found: Written = {}
    for name in names:
        if name in anywhere:
            usual = model._meta.get_field(name).get_default()  # type: ignore[union-attr]
            found[name] = [values.get(name, usual) for values in rows]
    return found


def _write_places(plan: Plan, organisation_id: int) -> None:
    register = plan.register
    for kind, model, label, parent, names in PLACES:
        new = register.new_places[kind]
        _numbered(model, new)
        columns: Written = {"id": [place.pk for place in new], label: [place.name for place in new]}
        if parent:
            columns[parent] = [place.parent.pk for place in new if place.parent]
        _create(model, columns | _said(model, names, [place.values for place in new]), organisation_id)
    for kind, model, *_ in PLACES:
        changed = [
            place for place in register.touched[kind].values() if place.changes and place.pk is not None
        ]
        _change_rows(model, [RowChange(place.pk or 0, place.changes, place.name) for place in changed])


def _change_heaters(changes: list[HeaterChange]) -> None:
    """Endings first: a place has to be free before another heater moves into it."""
    now = timezone.now()
    ended = [one for one in changes if one.changes.get("ending", ("", ""))[1]]
    others = [one for one in changes if not one.changes.get("ending", ("", ""))[1]]
    for group in (ended, others):
        for chunk in in_parts(group, CHUNK):
            rows = {
                heater.pk: heater for heater in Heater.objects.filter(pk__in=[one.heater.pk for one in chunk])
            }
            names = {"version", "updated_at"}
            for one in chunk:
                row = rows[one.heater.pk]
                for name, (_, after) in one.changes.items():
                    if name == "position":
                        row.position_id = one.heater.position.pk
                    else:
                        setattr(row, name, after)
                    names.add(name)
                row.version += 1
                row.updated_at = now
            Heater.objects.bulk_update(rows.values(), sorted(names), batch_size=500)
            _record(list(rows.values()), {one.heater.pk: one.changes for one in chunk})


def _change_rows(model: type[ScopedModel], changes: list[RowChange]) -> None:
    for chunk in in_parts(changes, CHUNK):
        rows: dict[int, Any] = {row.pk: row for row in model.objects.filter(pk__in=[one.pk for one in chunk])}
        names: set[str] = set()
        for one in chunk:
            for name, (_, after) in one.changes.items():
                setattr(rows[one.pk], name, after)
                names.add(name)
        model.objects.bulk_update(rows.values(), sorted(names), batch_size=500)
        _record(list(rows.values()), {one.pk: one.changes for one in chunk})


def _record(rows: list[Any], changes: dict[int | None, Any]) -> None:
    record_changes(Change(row, "changed by import", changes[row.pk]) for row in rows)
