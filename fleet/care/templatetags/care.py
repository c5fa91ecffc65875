"""Filters of the care pages."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import template

from fleet.care import asking
from fleet.care.kinds import FindingField, task_kinds
from fleet.care.models import Finding

register = template.Library()


@register.filter
def first_of(rows: Sequence[Any], limit: int) -> Sequence[Any]:
    """The first `limit` rows; 0 means all."""
    return rows[:limit] if limit else rows


@register.filter
def hours(minutes: int) -> str:
    """As hours are typed: '7', '7:30'."""
    return f"{minutes // 60}:{minutes % 60:02}" if minutes % 60 else f"{minutes // 60}"


def _field_of(finding: Finding) -> FindingField | None:
    kind = task_kinds().get(finding.task.kind)
    return next((field for field in (kind.findings if kind else ()) if field.name == finding.name), None)


@register.filter
def finding_label(finding: Finding) -> str:
    """The label of the field that a finding answers; its name where the field is gone."""
    field = _field_of(finding)
    return field.label if field else finding.name


@register.filter
def finding_value(finding: Finding) -> str:
    """What was found, in the reader's units."""
    if finding.number is None:
        return finding.words
    return asking.said(FindingField(finding.name, "", "number", finding.unit), finding.number)
