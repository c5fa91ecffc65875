"""An invented estate of any size: as many heaters as asked, the same for the same seed, in the manner of the demo."""

from __future__ import annotations

import sys
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db.models import Avg, F

from fleet.estate.models import Organisation, Position
from fleet.estate.scope import unscoped
from fleet.heaters.exporting import TABLES
from fleet.heaters.models import FAILURES, Heater, Kind, ServiceRecord

ROOT = Path(__file__).resolve().parents[3]
pytestmark = pytest.mark.django_db


def make(name: str, heaters: int = 1500, **options: Any) -> Organisation:
    call_command("make_estate", heaters=heaters, name=name, stdout=StringIO(), **{"seed": 7, **options})
    return Organisation.objects.get(name=name)


def content(organisation: Organisation) -> dict[str, list[tuple[Any, ...]]]:
    with unscoped("comparing two estates"):
        return {table.name: list(table.rows(organisation)) for table in TABLES}


def test_the_number_asked_for_and_the_same_estate_for_the_same_seed() -> None:
    first, second, other = make("first"), make("second"), make("other", seed=8)
    rows = content(first)
    assert len(rows["heaters"]) == 1500
    assert rows == content(second)
    assert rows["heaters"] != content(other)["heaters"]


@pytest.mark.parametrize("wanted", [1.0, 5.0])
def test_so_many_services_a_heater_on_the_average(wanted: float) -> None:
    rows = content(make("careful", services_per_heater=wanted))
    assert len(rows["services"]) / 1500 == pytest.approx(wanted, rel=0.15)


def test_a_larger_size_factor_makes_fewer_and_larger_properties() -> None:
    small, large = content(make("small")), content(make("large", size_factor=8))
    assert len(large["properties"]) * 4 < len(small["properties"])


def test_it_is_made_only_where_there_is_no_record_yet() -> None:
    make("taken", heaters=20)
    with pytest.raises(CommandError, match="already has a record"):
        make("taken", heaters=20)


@pytest.mark.parametrize(
    ("option", "value"),
    [("heaters", 0), ("services_per_heater", -1.0), ("size_factor", 0.0), ("seed", -1)],
)
def test_a_size_that_cannot_be_is_refused_with_what_would_be_right(option: str, value: float) -> None:
    with pytest.raises(CommandError, match=option.replace("_", "-") + ".*give"):
        make("wrong", **{option: value})
    assert not Organisation.objects.filter(name="wrong").exists()


def test_it_is_statistically_like_the_demo() -> None:
    """Held against the demo's own simulator, which shares no code with this one."""
    sys.path.insert(0, str(ROOT / "fixtures" / "demo"))
    from simulation import simulate

    demo = simulate(20261101).heaters
    ended = [heater for heater in demo if heater.ended]
    make("like the demo", heaters=6000)
    with unscoped("looking at the estate"):
        heaters = Heater.objects.filter(tag__startswith="T")
        in_service = heaters.filter(ending="").count() / heaters.count()
        failed = heaters.filter(ending__in=FAILURES)
        exact = failed.filter(installed_precision="day", removed_precision="day")
        life = exact.aggregate(days=Avg(F("removed_latest") - F("installed_latest")))["days"].days / 365.25
        standing = heaters.filter(ending="").values_list("position_id", flat=True)
        assert len(set(standing)) == len(standing) <= Position.objects.count()
        assert set(heaters.values_list("kind", flat=True)) == set(Kind.values)
        work = set(ServiceRecord.objects.values_list("kind", flat=True))
    assert in_service == pytest.approx(1 - len(ended) / len(demo), abs=0.06)
    demo_failed = [heater for heater in ended if heater.ending in FAILURES]
    demo_life = sum((h.ended - h.installed).days for h in demo_failed) / len(demo_failed) / 365.25
    assert life == pytest.approx(demo_life, rel=0.12)
    assert len(demo_failed) / len(ended) == pytest.approx(_share_failed(), abs=0.1)
    assert work == {service.kind for heater in demo for service in heater.services}


def _share_failed() -> float:
    with unscoped("looking at the estate"):
        ended = Heater.objects.exclude(ending="")
        return ended.filter(ending__in=FAILURES).count() / ended.count()
