"""Findings in the reader's units: what she is asked, with limits converted, and what she says, back in the record's.

The record keeps one unit a finding (`FindingField.unit`); limits are checked there, by `reading.py` alone.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from fleet.care.kinds import FindingField
from fleet.pages import reading

PLAIN_NUMBER = re.compile(r"[-+]?\d+(?:[.,]\d+)?|[-+]?[.,]\d+")
LIMITS = ("low", "high", "usual_low", "usual_high", "unsafe_above", "unsafe_below")


def asked(field: FindingField) -> FindingField:
    """The field as this reader is asked it."""
    there = reading.scale(field.unit)
    if there is None or field.type != "number":
        return field
    limits: dict[str, Any] = {}
    for name in LIMITS:
        if (limit := getattr(field, name)) is not None:
            # What is unsafe is never rounded: the record's limit decides.
            digits = 6 if name.startswith("unsafe") else there.digits
            limits[name] = round(there.shown(limit), digits) + 0.0
    return replace(field, unit=there.unit, **limits)


def in_record_units(
    fields: Sequence[FindingField], answers: Mapping[str, str], metric: bool
) -> dict[str, str]:
    """Answers of a reader in the record's units. What is no plain number stays as it is, to be refused in words."""
    found = dict(answers)
    if not metric:
        return found
    for field in fields:
        there = reading.METRIC.get(field.unit)
        text = found.get(field.name, "").strip()
        if there is None or field.type != "number" or not PLAIN_NUMBER.fullmatch(text):
            continue
        if re.fullmatch(r"-?\d{1,3},\d{3}", text):
            continue
        found[field.name] = f"{there.kept(float(text.replace(',', '.'))):.9g}"
    return found


def said(field: FindingField, number: float) -> str:
    """A finding's number as this reader has it, one digit finer than sentences give it."""
    there = reading.scale(field.unit)
    if there is None:
        return f"{number:g} {field.unit}".strip()
    return f"{round(there.shown(number), there.digits + 1) + 0.0:g} {there.unit}"


def blur(field: FindingField) -> float:
    """How far beyond a limit a number may lie and still be the limit as some reader sees it."""
    there = reading.METRIC.get(field.unit)
    return there.blur if there else 0.0
