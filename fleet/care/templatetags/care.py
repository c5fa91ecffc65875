"""Filters of the care pages."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import template

from fleet.care.kinds import task_kinds
from fleet.care.models import Finding

register = template.Library()


@register.filter
def first_of(rows: Sequence[Any], limit: int) -> Sequence[Any]:
    """The first `limit` rows; 0 means all."""
    return rows[:limit] if limit else rows


@register.filter
def finding_label(finding: Finding) -> str:
    """The label of the field that a finding answers; its name where the field is gone."""
    kind = task_kinds().get(finding.task.kind)
    fields = kind.findings if kind else ()
    return next((field.label for field in fields if field.name == finding.name), finding.name)
