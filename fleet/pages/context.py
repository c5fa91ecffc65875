"""What every template may use: who is asking, for which organisation, and what she may do."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest

from fleet.estate.access import GRANTS
from fleet.pages import reading


def house(request: HttpRequest) -> dict[str, Any]:
    membership = getattr(request, "membership", None)
    if membership is None:
        return {
            "organisation": None,
            "needs": frozenset(),
            "menu_needs": frozenset(),
            "habit": reading.Habit(),
        }
    needs = frozenset(need.value for need in GRANTS[membership.role])
    return {
        "habit": reading.habit(),
        "organisation": membership.organisation,
        "membership": membership,
        "may_change_organisation": getattr(request, "may_change_organisation", False),
        "needs": needs,
        "menu_needs": needs,  # a page about a client's row narrows "needs"; its menu stays the reader's own
    }
