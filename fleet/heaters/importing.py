"""Comparing a file with the record: what is new, changed, the same or refused. Reads; never writes.

The comparison is made afresh when the file is taken in, so a preview can grow old without doing harm.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from fleet.heaters.headings import Match, SheetKind, guess_columns, guess_kind, plain
from fleet.heaters.import_care import plan_last_work, plan_services, plan_waters
from fleet.heaters.import_heaters import plan_heaters, plan_properties
from fleet.heaters.import_plan import Plan
from fleet.heaters.models import ImportBatch, RememberedHeading
from fleet.heaters.register import Named, Register, name_key
from fleet.heaters.rows import Question, SheetReading, read_sheet, shown
from fleet.heaters.workbook import Sheet, UnreadableFile, Workbook

__all__ = ["Comparison", "UnansweredQuestion", "UnreadableFile", "compare", "guess", "remembered_headings"]
ORDER: tuple[SheetKind, ...] = ("heaters", "properties", "service", "water")
EXAMPLES, EXAMPLE_ROWS, EXAMPLE_LENGTH = 3, 200, 40
Columns = Mapping[str, Mapping[str, str]]
Progress = Callable[[float, str], None]


class UnansweredQuestion(ValueError):
    """A column of dates can be read two ways, and nobody has said which."""

    def __init__(self, questions: list[Question]) -> None:
        self.questions = questions
        first = questions[0]
        super().__init__(
            f"In sheet '{first.sheet}', column '{first.heading}', dates such as {first.example} can be read two ways. "
            "Say once whether the month comes first (mdy) or the day (dmy)."
        )


@dataclass
class Comparison:
    """A file held against the record."""

    plan: Plan
    readings: list[SheetReading]
    left_out: list[str] = field(default_factory=list)

    @property
    def questions(self) -> list[Question]:
        return [question for reading in self.readings for question in reading.questions]

    @property
    def counts(self) -> dict[str, int]:
        total = {"new": 0, "changed": 0, "same": 0, "refused": 0}
        for counts in self.counts_by_sheet.values():
            for name, count in counts.items():
                total[name] += count
        return total

    @property
    def counts_by_sheet(self) -> dict[str, dict[str, int]]:
        return {
            reading.name: {
                **{name: self.plan.count(reading.name, name) for name in ("new", "changed", "same")},
                "refused": len(reading.refused),
            }
            for reading in self.readings
        }

    @property
    def refusals(self) -> list[Any]:
        return [
            remark
            for reading in self.readings
            for row in sorted(reading.refused)
            for remark in reading.refused[row]
        ]

    @property
    def warnings(self) -> list[Any]:
        """What to look at twice of the rows that are taken in; a refused row has its own list."""
        return [
            remark
            for reading in self.readings
            for remark in sorted(reading.warnings, key=lambda one: one.row)
            if remark.row not in reading.refused
        ]


def columns_of(batch: ImportBatch) -> dict[str, dict[str, str]]:
    """The columns kept with a batch: sheet -> heading -> field, in the order of the file; under '' the sheet's kind."""
    return {sheet: dict(matches) for sheet, matches in batch.columns.get("sheets", [])}


def to_keep(columns: Columns) -> dict[str, Any]:
    """As lists, because a database may keep the keys of an object in an order of its own."""
    return {
        "sheets": [[sheet, [list(pair) for pair in matches.items()]] for sheet, matches in columns.items()]
    }


def examples_of(book: Workbook) -> list[list[Any]]:
    """A few values of each column, sheet by sheet, so that whoever says what a column means can see it."""
    return [
        [
            sheet.name,
            [[heading, _examples(sheet, place)] for place, heading in enumerate(sheet.headings) if heading],
        ]
        for sheet in book.sheets
    ]


def _examples(sheet: Sheet, place: int) -> list[str]:
    found: dict[str, None] = {}
    for row in sheet.rows[:EXAMPLE_ROWS]:
        if text := _example(row[place]) if place < len(row) else "":
            found[text] = None
        if len(found) == EXAMPLES:
            break
    return list(found)


def _example(cell: object) -> str:
    if isinstance(cell, date):
        return f"{cell.day} {cell:%b %Y}"
    text = " ".join(shown(cell).replace("\x00", " ").split())
    return text if len(text) <= EXAMPLE_LENGTH else text[: EXAMPLE_LENGTH - 1] + "…"


def remembered_headings(organisation_id: int) -> dict[str, dict[str, str]]:
    """What this organisation's people have mended before: kind of sheet -> heading -> field."""
    found: dict[str, dict[str, str]] = {}
    rows = RememberedHeading.objects.filter(organisation_id=organisation_id)
    for kind, heading, name in rows.values_list("sheet_kind", "heading", "field"):
        found.setdefault(kind, {})[heading] = name
    return found


def guess(
    book: Workbook, organisation_id: int, mended: Mapping[str, str] | None = None
) -> dict[str, dict[str, str]]:
    """For each sheet: under '' its kind (empty: left out), under each heading its field.

    What a person says of this file (`mended`: heading -> field) goes before what is remembered, that before the guess.
    """
    remembered = remembered_headings(organisation_id)
    own = {plain(heading): name for heading, name in (mended or {}).items()}
    columns: dict[str, dict[str, str]] = {}
    for sheet in book.sheets:
        kind = guess_kind(sheet.name, sheet.headings, {**_all(remembered), **own})
        if kind is None:
            columns[sheet.name] = {"": "", **{heading: "" for heading in sheet.headings if heading}}
        else:
            columns[sheet.name] = guess_sheet(sheet.headings, kind, {**remembered.get(kind, {}), **own})
    return columns


def guess_sheet(headings: Sequence[str], kind: SheetKind, known: Mapping[str, str]) -> dict[str, str]:
    matches = guess_columns(headings, kind, known)
    return {"": kind, **{heading: str(match) for heading, match in matches.items()}}


def _all(remembered: Mapping[str, Mapping[str, str]]) -> dict[str, str]:
    return {heading: name for headings in remembered.values() for heading, name in headings.items()}


def _named(readings: Sequence[SheetReading]) -> Named | None:
    """What the file names, where each of its rows says by name what it is about; else None."""
    tags, properties = set[str](), set[str]()
    with_places = any(reading.kind != "service" for reading in readings)
    for reading in readings:
        for row in reading.rows:
            tag, name = row.values.get("tag", ""), row.values.get("property", "")
            # A new heater's tag is made so that no other has it, and its property is guessed from those there are.
            if not (
                tag or name if reading.kind == "service" else name and (tag or reading.kind != "heaters")
            ):
                return None
            with_places = with_places or not tag
            tags.add(tag)
            properties.add(name)
    return Named(_keys(tags), _keys(properties) if with_places else None)


def _keys(names: set[str]) -> set[str]:
    return {name_key(name) for name in names if name}


def compare(
    book: Workbook,
    organisation_id: int,
    columns: Columns,
    as_of: date,
    date_order: str = "",
    progress: Progress | None = None,
) -> Comparison:
    """Read every sheet that has a kind and hold it against the record."""
    readings: list[SheetReading] = []
    left_out: list[str] = []
    for sheet in book.sheets:
        chosen = columns.get(sheet.name, {})
        kind = chosen.get("", "")
        if not kind:
            left_out.append(sheet.name)
            continue
        matches = {heading: Match.written(text) for heading, text in chosen.items() if heading and text}
        readings.append(read_sheet(sheet, kind, matches, as_of, date_order))  # type: ignore[arg-type]
    if not readings:
        names = ", ".join(f"'{name}'" for name in left_out)
        raise UnreadableFile(
            f"No sheet of this file ({names}) has the columns of a list of heaters, of service or of water tests. "
            "Say what its columns are, or send another sheet."
        )
    if progress:
        progress(0.4, "Comparing with the record")
    plan = Plan(Register(organisation_id, _named(readings)), book.file_name.rsplit(".", 1)[0])
    planners = {
        "heaters": plan_heaters,
        "properties": plan_properties,
        "service": plan_services,
        "water": plan_waters,
    }
    for kind in ORDER:
        for reading in readings:
            if reading.kind == kind:
                planners[kind](plan, reading)
                if kind == "heaters":
                    plan.refuse_tags_of(reading)
    plan_last_work(plan)
    plan.settle_places()
    return Comparison(plan, readings, left_out)
