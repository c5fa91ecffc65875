"""The untidy demo sheets go through the importer; what is on record afterwards is what really happened, and twice is once."""

from __future__ import annotations

import sys
from collections import Counter
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
def truth(monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """The simulated estate that the office wrote its sheets from."""
    monkeypatch.syspath_prepend(str(FOLDER))
    import make_estate
    import simulation

    yield simulation.simulate(make_estate.SEED)
    for name in ("make_estate", "simulation", "office", "region"):
        sys.modules.pop(name, None)


def wrong_about(read: Heater, real: Any) -> list[str]:
    """Which facts of a heater's record are not what happened; what the office left out is not wrong."""
    wrong = []
    for name, happened in (("installed", real.installed), ("removed", real.ended)):
        earliest, latest = getattr(read, f"{name}_earliest"), getattr(read, f"{name}_latest")
        if earliest is not None and not (happened and earliest <= happened <= latest):
            wrong.append(name)
    held = {
        "kind": read.kind == real.kind,
        "ending": read.ending == (real.ending or ""),
        "property": read.position.building.property.name == real.position.building.property.name,
        "capacity": read.capacity_gal in (None, pytest.approx(real.capacity_gal, abs=1)),
        "input": read.input_btu_h in (None, pytest.approx(real.input_btu_h, rel=0.02)),
        "set point": read.setpoint_f in (None, pytest.approx(real.position.setpoint_f, abs=1)),
        "anode": read.anode_kind in ("", real.anode_kind),
    }
    return wrong + [name for name, holds in held.items() if not holds]


def test_the_record_is_what_happened_and_the_same_sheets_twice_change_nothing(
    demo: Organisation, truth: Any
) -> None:
    happened = {heater.tag: heater for heater in truth.heaters}
    take(demo, "properties.csv")
    taken = take(demo, "heaters.xlsx")
    assert taken.counts_by_sheet["heaters"] == {
        "new": len(happened),
        "changed": 0,
        "same": 4,
        "refused": 7,
    }
    assert Property.objects.count() == 15
    heaters = {heater.tag: heater for heater in Heater.objects.select_related("position__building__property")}
    assert set(heaters) == set(happened)
    wrong = {tag: wrong_about(heaters[tag], real) for tag, real in happened.items()}
    assert {tag: names for tag, names in wrong.items() if names} == {}
    done = Counter(service.kind for heater in truth.heaters for service in heater.services)
    assert Counter(ServiceRecord.objects.values_list("kind", flat=True)) == done
    assert WaterTest.objects.count() == len(truth.water_tests)

    before = (Heater.objects.count(), ServiceRecord.objects.count(), WaterTest.objects.count())
    again = take(demo, "heaters.xlsx").counts
    assert (again["new"], again["changed"]) == (0, 0)
    assert (Heater.objects.count(), ServiceRecord.objects.count(), WaterTest.objects.count()) == before
