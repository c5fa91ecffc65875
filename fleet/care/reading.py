"""Findings as people give them, read and checked; what cannot be done is refused in words."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from fleet.care.asking import blur
from fleet.care.kinds import FindingField
from fleet.care.models import Task


class CareRefused(ValueError):
    """What was asked cannot be done; `problems` says for each field why and what would be right."""

    def __init__(self, message: str, problems: Mapping[str, str] | None = None) -> None:
        super().__init__(message)
        self.problems = dict(problems or {})


@dataclass(frozen=True)
class Seen:
    """One finding, read and checked."""

    field: FindingField
    value: float | str
    unusual: bool

    @property
    def unsafe(self) -> bool:
        return self.field.is_unsafe(self.value)

    @property
    def said(self) -> str:
        """In words, in the record's unit: 'Outlet temperature: 150 °F'."""
        value = self.value if isinstance(self.value, str) else f"{self.value:g} {self.field.unit}".strip()
        return f"{self.field.label}: {value}"


def read_findings(task: Task, answers: Mapping[str, str | float]) -> tuple[dict[str, Seen], dict[str, str]]:
    """Read answers as people give them: what was understood, and by field what is wrong and what would be right."""
    seen: dict[str, Seen] = {}
    problems: dict[str, str] = {}
    for field in task.task_kind.findings:
        raw = answers.get(field.name, "")
        text = raw.strip() if isinstance(raw, str) else str(raw)
        if not text:
            if field.required:
                problems[field.name] = f"{field.label}: nothing entered."
        elif field.type == "number":
            _read_number(field, text, seen, problems)
        elif field.type == "choice" and text not in field.choices:
            problems[field.name] = f"{field.label}: {text!r} is not one of {', '.join(field.choices)}."
        else:
            seen[field.name] = Seen(field, text[:500], unusual=False)
    for name in answers:
        if name not in {field.name for field in task.task_kind.findings}:
            problems[name] = f"{name!r} is not recorded for {task.task_kind.name.lower()}."
    return seen, problems


def _read_number(field: FindingField, text: str, seen: dict[str, Seen], problems: dict[str, str]) -> None:
    if re.fullmatch(r"-?\d{1,3},\d{3}", text):
        problems[field.name] = f"{field.label}: {text!r} can be read in two ways. Write it without the comma."
        return
    try:
        number = float(text.replace(",", "."))
    except ValueError:
        problems[field.name] = f"{field.label}: {text!r} is not a number. Usual is {field.usual_range()}."
        return
    assert field.low is not None
    assert field.high is not None
    edge = blur(field)
    if not field.low - edge <= number <= field.high + edge:
        problems[field.name] = (
            f"{field.label}: {number:g} {field.unit} cannot be; {field.low:g} to {field.high:g} {field.unit} can. "
            f"Usual is {field.usual_range()}."
        )
        return
    seen[field.name] = Seen(field, number, field.is_unusual(number, edge))
