"""The untidy demo sheets go through the importer, and what is on record afterwards is what really happened."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from fleet.estate.models import Organisation, Property
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters.models import Heater, ServiceRecord, WaterTest
from fleet.heaters.services import accept, keep_file

FOLDER = Path(__file__).parents[3] / "fixtures" / "demo"
AS_OF = date(2026, 11, 1)


@pytest.fixture
def demo(db: None) -> Iterator[Organisation]:
    organisation = Organisation.objects.create(name="Demo (invented)", invented=True)
    with scoped(scope_of_organisation(organisation)):
        yield organisation


def take(organisation: Organisation, name: str) -> Any:
    batch = keep_file((FOLDER / name).read_bytes(), name, organisation.pk)
    return accept(batch, AS_OF)


@pytest.fixture
def truth(monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, Any]]:
    """The simulated estate behind the sheets, by the office's number of each heater."""
    monkeypatch.syspath_prepend(str(FOLDER))
    import make_estate
    import simulation

    yield {heater.tag: heater for heater in simulation.simulate(make_estate.SEED).heaters}
    for name in ("make_estate", "simulation", "office", "region"):
        sys.modules.pop(name, None)


def test_the_record_is_what_happened(demo: Organisation, truth: dict[str, Any]) -> None:
    take(demo, "properties.csv")
    taken = take(demo, "heaters.xlsx")
    assert taken.counts_by_sheet["heaters"] == {
        "new": len(truth),
        "changed": 0,
        "same": 4,
        "refused": 7,
    }
    assert Property.objects.count() == 15
    heaters = {heater.tag: heater for heater in Heater.objects.select_related("position__building__property")}
    assert set(heaters) == set(truth)
    for tag, real in truth.items():
        read = heaters[tag]
        assert (tag, read.kind, read.ending) == (tag, real.kind, real.ending)
        assert read.position.building.property.name == real.position.building.property.name
        if read.installed_earliest:
            assert read.installed_earliest <= real.installed <= read.installed_latest, tag
        if read.capacity_gal:
            assert read.capacity_gal == pytest.approx(real.capacity_gal, rel=0.04)
        if read.setpoint_f:
            assert read.setpoint_f == pytest.approx(real.position.setpoint_f, abs=1)
        assert read.anode_kind in ("", real.anode_kind)


def test_the_same_sheets_twice_change_nothing(demo: Organisation) -> None:
    take(demo, "heaters.xlsx")
    before = (Heater.objects.count(), ServiceRecord.objects.count(), WaterTest.objects.count())
    again = take(demo, "heaters.xlsx").counts
    assert (again["new"], again["changed"]) == (0, 0)
    assert (Heater.objects.count(), ServiceRecord.objects.count(), WaterTest.objects.count()) == before
