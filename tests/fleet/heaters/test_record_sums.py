"""What is on record and what is missing there is counted once and kept: kept and counted now are the same."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as some

from fleet.estate import kept_sums
from fleet.estate.calendar import day_of
from fleet.estate.models import Building, Position, Property
from fleet.estate.scope import Level, Reach, Scope, scope_of_organisation, scoped, unscoped
from fleet.heaters import record_sums
from fleet.heaters.gap_words import NAMES
from fleet.heaters.models import Heater, RecordMark, RecordSum, ServiceRecord, WaterTest
from fleet.heaters.quality import quick_look
from fleet.heaters.record_reading import heaters_by_property, how_many_serve, look, look_at_once
from fleet.operating.doctor import examine
from fleet.pages import fleet_ages, words
from forecasting.missing import INPUTS
from tests.conftest import Cast, make_heater

DAY = date(2026, 6, 1)
OF_HEATERS = ("put in", "end", "erase", "date", "service", "forget service")
OF_PLACES = ("water", "pressure", "move position", "built", "move building", "since")
VERBS = (*OF_HEATERS, *OF_PLACES, "next day", "count", "count")


def count_all() -> None:
    while record_sums.recount():
        pass


def test_the_questions_are_those_of_the_forecast() -> None:
    assert {entry.name for entry in INPUTS} == set(NAMES)


@pytest.fixture
def houses(cast: Cast) -> Cast:
    for house in (cast.house, cast.other_house):
        house.calendar_stands_at = DAY
        house.save()
    with scoped(scope_of_organisation(cast.house)):
        for number, name in enumerate(("Cedar Yard", "Elm Court", "Cedar Yard", "Alder Court")):
            make_heater(
                cast.house, name, f"S-{number}", kind="heat_pump" if number % 2 else "electric_storage"
            )
    return cast


def same(scope: Scope) -> None:
    with scoped(scope):
        today = day_of(Property.objects.order_by("id")[0].organisation)
        kept, now = look_at_once(today), look(today)
        assert [kept.of(name) for name in NAMES] == [now.of(name) for name in NAMES]
        assert replace(kept, lacking=0, properties=[]) == replace(now, lacking=0, properties=[])  # type: ignore[arg-type]
        serving: dict[int, int] = {}
        bands: dict[tuple[int, str], int] = {}
        unknown = 0
        for heater in Heater.objects.filter(ending="").select_related("position__building"):
            place = heater.position.building.property_id
            serving[place] = serving.get(place, 0) + 1
            installed = (heater.installed_earliest, heater.installed_latest, today)
            made = (heater.made_earliest, heater.made_latest, today)
            span = words.age_years(*installed) or words.age_years(*made)
            if span is None:
                unknown += 1
                continue
            band = (fleet_ages.band_of(sum(span) / 2), heater.kind)
            bands[band] = bands.get(band, 0) + 1
        assert heaters_by_property() == serving
        assert how_many_serve() == sum(serving.values())
        shown = fleet_ages.ages(today)
        assert (shown.total, shown.unknown) == (sum(serving.values()), unknown)
        table = {
            (order, name): count
            for order, (_, counts, _) in enumerate(shown.table)
            for name, count in zip(shown.kinds, counts, strict=True)
            if count
        }
        names = fleet_ages.KIND_NAMES
        assert table == {(order, str(names[kind])): count for (order, kind), count in bands.items()}


def act(cast: Cast, verb: str, number: int) -> None:
    """Mended by hand, past every verb. What the database refuses has not happened."""
    if verb == "count":
        count_all()
        return
    with scoped(scope_of_organisation(cast.house)), suppress(IntegrityError), transaction.atomic():
        if verb == "next day":
            cast.house.calendar_stands_at = day_of(cast.house) + timedelta(days=1)
            cast.house.save()
        else:
            day = day_of(cast.house) - timedelta(days=number * 20)
            (_heater if verb in OF_HEATERS else _place)(cast, verb, number, day)


def one(model: Any, number: int) -> Any:
    """One row by chance, as a query."""
    numbers = list(model.objects.order_by("id").values_list("id", flat=True))
    return model.objects.filter(pk=numbers[number % len(numbers)] if numbers else 0)


def _heater(cast: Cast, verb: str, number: int, day: date) -> None:
    heaters = one(Heater, number)
    if verb == "put in":
        name = f"H{Heater.objects.order_by('-id')[0].pk + 1}"
        make_heater(cast.house, f"New {number % 3}", name, installed_earliest=day, installed_latest=day)
    elif verb == "end":
        heaters.update(ending="removed", removed_precision="unknown")
    elif verb == "erase" and Heater.objects.count() > 2:
        heaters.delete()
    elif verb == "date":
        known = {"installed_earliest": day, "installed_latest": day + timedelta(days=number)}
        unknown = {"installed_earliest": None, "installed_latest": None, "made_latest": day}
        heaters.update(**(known if number % 2 else unknown), serial_number=str(number))
    elif verb == "service":
        kind = ("flush", "anode_renewed", "setpoint_changed")[number % 3]
        ServiceRecord.objects.create(
            organisation=cast.house, heater=heaters[0], kind=kind, done_latest=day, setpoint_f=130
        )
    elif verb == "forget service":
        one(ServiceRecord, number).delete()


def _place(cast: Cast, verb: str, number: int, day: date) -> None:
    buildings, positions = one(Building, number), one(Position, number)
    if verb == "water":
        WaterTest.objects.create(
            organisation=cast.house, property=buildings[0].property, tested_latest=day, hardness_mg_l=number
        )
    elif verb == "pressure":
        positions.update(static_pressure_psi=60 if number % 2 else None, closed_system=bool(number % 3))
    elif verb == "move position":
        positions.update(building=buildings[0], label=f"moved {number}")
    elif verb == "built":
        buildings.update(year_built=None if number % 2 else 1950, units_served=number or None)
    elif verb == "move building":
        new, _ = Property.objects.get_or_create(organisation=cast.house, name=f"New {number}")
        buildings.update(property=new)
    elif verb == "since":
        one(Property, number).update(records_since=day if number % 2 else None)


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=some.lists(some.tuples(some.sampled_from(VERBS), some.integers(0, 400)), max_size=10))
def test_kept_is_counted_whatever_happened(houses: Cast, steps: list[tuple[str, int]]) -> None:
    own = houses.house.pk
    for verb, number in steps:
        act(houses, verb, number)
        with unscoped("properties of the test"):
            mine = list(Property.objects.filter(organisation=own).order_by("id").values_list("id", flat=True))
        same(scope_of_organisation(houses.house))
        same(Scope((Reach(own, frozenset(mine[:2])),)))
        same(Scope((Reach(houses.other_house.pk), Reach(own, frozenset(mine[1:]), Level.SURVEY))))
    assert kept_sums.wrong(record_sums.KEPT, 20) == []


def test_once_counted_the_record_is_not_read_again(houses: Cast) -> None:
    count_all()
    with scoped(scope_of_organisation(houses.house)):
        with CaptureQueriesContext(connection) as asked:
            fleet_ages.ages(DAY)
            quick_look(houses.house, DAY, at_once=True)
        tables = ("heaters_heater", "heaters_service", "estate_position")
        assert not [
            query for query in asked.captured_queries if any(table in query["sql"] for table in tables)
        ]
        houses.heater.delete()
        assert list(RecordMark.objects.values_list("property_id", flat=True).distinct()) == [
            houses.property.pk
        ]


def test_many_changes_are_not_waited_for_but_told(houses: Cast, monkeypatch: pytest.MonkeyPatch) -> None:
    count_all()
    monkeypatch.setattr("fleet.heaters.record_reading.MOST_LOOKED_AT", 1)
    with scoped(scope_of_organisation(houses.house)):
        before = quick_look(houses.house, DAY)
        Heater.objects.update(setpoint_f=125)
        stale = quick_look(houses.house, DAY, at_once=True)
        assert (stale.gaps, stale.changed_since) == (before.gaps, 3)
    page = houses.client(houses.owner).get("/records/missing/").content.decode()
    assert "3 properties have changed since" in page
    count_all()
    with scoped(scope_of_organisation(houses.house)):
        now = quick_look(houses.house, DAY, at_once=True)
    assert now.changed_since == 0 and "setpoint" not in [gap.name for gap in now.gaps]


def test_a_sum_put_wrong_by_hand_is_found_by_the_doctor(houses: Cast) -> None:
    count_all()
    with unscoped("spoiling a kept sum"):
        RecordSum.objects.filter(pk=houses.property.pk).update(heaters=77)
    said = [one for one in examine() if one.part == "kept sums" and one.state == "bad"]
    assert len(said) == 1 and "1 property" in said[0].words
