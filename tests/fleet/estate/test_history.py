"""History is kept: who, what, from what to what; an entry cannot be changed or removed."""

from __future__ import annotations

import pytest

from fleet.estate.access import scope_of
from fleet.estate.history import record_change
from fleet.estate.models import HistoryEntry, Membership
from fleet.estate.scope import scoped
from tests.conftest import Cast


def test_an_entry_names_person_verb_and_both_values(cast: Cast) -> None:
    with scoped(scope_of(Membership.objects.get(person=cast.planner))):
        record_change(cast.heater, "corrected", {"setpoint_f": (120.0, 125.0)}, reason="read at the dial")
        entry = HistoryEntry.objects.get()
    assert (entry.actor, entry.verb, entry.subject_label) == ("Planner", "corrected", "H-1")
    assert entry.changes == {"setpoint_f": [120.0, 125.0]}
    assert entry.property_id == cast.property.pk


def test_an_entry_can_be_neither_changed_nor_removed(in_house: Cast) -> None:
    record_change(in_house.heater, "corrected")
    entry = HistoryEntry.objects.get()
    with pytest.raises(TypeError, match="kept"):
        entry.save()
    with pytest.raises(TypeError, match="kept"):
        entry.delete()
