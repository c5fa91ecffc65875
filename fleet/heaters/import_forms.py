"""Between the columns page and a batch's columns: what is shown to mend, and what came back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import cast

from fleet.heaters.headings import DATE_FIELDS, KINDS, LAST, LAST_WORK, SYNONYMS, Match, SheetKind
from fleet.heaters.importing import columns_of, guess_sheet, remembered_headings
from fleet.heaters.models import ImportBatch

# Only where a bare number needs it is a unit asked for.
UNITS = {
    "capacity_gal": ("gal", "l"),
    "input_btu_h": ("btu", "mbh", "kw", "w"),
    "setpoint_f": ("f", "c"),
    "static_pressure_psi": ("psi", "bar", "kpa"),
    "relief_valve_psi": ("psi", "bar", "kpa"),
    "hardness_mg_l": ("mg/l", "gpg", "dh", "fh", "mmol/l"),
    "temperature_c": ("c", "f"),
    "conductivity_us_cm": ("us/cm", "ms/cm"),
}
NAMES = {
    "tag": "heater's tag",
    "capacity_gal": "capacity",
    "input_btu_h": "heat input",
    "setpoint_f": "set point",
    "static_pressure_psi": "water pressure",
    "relief_valve_psi": "relief-valve rating",
    "relief_valve_btu_h": "relief-valve capacity",
    "ending": "why it left service",
    "removed": "date it left service",
    "made": "date made",
    "installed": "date installed",
    "done": "date of the work",
    "tested": "date of the test",
    "ph": "pH",
    "below": "what lies below",
    **{name: "last work: " + name.removeprefix(LAST).replace("_", " ") for name in LAST_WORK},
}
KIND_LABELS = {
    "heaters": "heaters, one a row",
    "service": "past service",
    "water": "water tests",
    "properties": "properties",
}
# What a heading says beside its name is a unit or an order of the day; of these columns it is neither.
IN_WORDS = frozenset({"property", "building", "position", "address", "room", "floor", "tag", "kind", "notes"})
FILLERS = ("mg_l", "us_cm", "_c", "_in", "has_")


@dataclass(frozen=True)
class Choice:
    value: str
    label: str
    chosen: bool


@dataclass(frozen=True)
class ColumnShown:
    field_name: str
    heading: str
    examples: list[str] | None  # nothing is kept of a file's content once it is forgotten
    choices: list[Choice]


@dataclass(frozen=True)
class SheetShown:
    number: int
    name: str
    kinds: list[Choice]
    columns: list[ColumnShown]

    @property
    def left_out(self) -> list[str]:
        """Headings that nothing is taken from."""
        return [column.heading for column in self.columns if column.choices[0].chosen]


def field_label(name: str) -> str:
    label = NAMES.get(name, name)
    for filler in FILLERS:
        label = label.removeprefix(filler).removesuffix(filler)
    return label.replace("_", " ").strip()


def _choices(kind: SheetKind, written: str) -> list[Choice]:
    match = Match.written(written)
    choices = [Choice("", "leave this column out", not match.field)]
    for name in SYNONYMS[kind]:
        label = field_label(name)
        plain_chosen = match.field == name
        hints = UNITS.get(name, ()) or (("mdy", "dmy") if name in DATE_FIELDS else ())
        words = {"mdy": "month first", "dmy": "day first"}
        hinted = [
            Choice(f"{name}:{hint}", f"{label}, {words.get(hint, hint)}", written == f"{name}:{hint}")
            for hint in hints
        ]
        if plain_chosen and match.hint and not any(choice.chosen for choice in hinted):
            if name in IN_WORDS or name not in UNITS:  # words of the heading that are no unit
                choices.append(Choice(written, label, True))
                continue
            hinted.append(Choice(written, f"{label}, {match.hint}", True))
        choices.append(Choice(name, label, plain_chosen and not match.hint))
        choices += hinted
    return choices


def columns_shown(batch: ImportBatch) -> list[SheetShown]:
    shown = []
    examples = {name: dict(columns) for name, columns in batch.columns.get("examples", [])}
    for number, (sheet, matches) in enumerate(columns_of(batch).items()):
        kind = matches.get("", "")
        kinds = [
            Choice("", "leave this sheet out", not kind),
            *(Choice(one, KIND_LABELS[one], one == kind) for one in KINDS),
        ]
        columns = [
            ColumnShown(
                f"column-{number}-{index}",
                heading,
                examples.get(sheet, {}).get(heading),
                _choices(cast(SheetKind, kind), written),
            )
            for index, (heading, written) in enumerate((h, w) for h, w in matches.items() if h)
            if kind
        ]
        shown.append(SheetShown(number, sheet, kinds, columns))
    return shown


def columns_from(batch: ImportBatch, sent: Mapping[str, str]) -> dict[str, dict[str, str]]:
    """The columns as sent back. A sheet given another kind is guessed afresh for that kind."""
    columns: dict[str, dict[str, str]] = {}
    for number, (sheet, matches) in enumerate(columns_of(batch).items()):
        before = matches.get("", "")
        kind = sent.get(f"kind-{number}", before)
        kind = kind if kind in KINDS else ""
        if kind and kind != before:
            headings = [heading for heading in matches if heading]
            remembered = remembered_headings(batch.organisation_id).get(str(kind), {})
            columns[sheet] = guess_sheet(headings, kind, remembered)  # type: ignore[arg-type]
            continue
        mended = {"": kind}
        known = SYNONYMS.get(cast(SheetKind, kind), {})
        for index, (heading, written) in enumerate((h, w) for h, w in matches.items() if h):
            answer = sent.get(f"column-{number}-{index}", written)
            mended[heading] = answer if not answer or Match.written(answer).field in known else ""
        columns[sheet] = mended
    return columns
