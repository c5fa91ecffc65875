"""What leaves the record for the forecast: only what was known by the day, and since when anything was watched."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from fleet.estate.models import Building, Position
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters.models import Heater, ServiceRecord, WaterTest
from fleet.planning.frames import records_in_scope
from tests.conftest import Cast, make_heater

pytestmark = pytest.mark.django_db
TODAY = date(2026, 11, 1)


def row(as_of: date = TODAY, tag: str = "H-1") -> pd.Series:
    frame = records_in_scope(as_of).heaters.set_index("heater_id")
    return frame.loc[Heater.objects.get(tag=tag).pk]


def test_the_frames_carry_the_columns_of_the_contract(in_house: Cast) -> None:
    records = records_in_scope(TODAY)
    assert list(records.heaters.columns) == [
        *("heater_id", "kind", "property_id", "building_id", "position_id"),
        *("installed_earliest", "installed_latest", "made_earliest", "made_latest"),
        *("ended_earliest", "ended_latest", "ending", "capacity_gal", "input_btu_h", "setpoint_f"),
        *("anode_kind", "anode_count", "closed_system", "has_expansion_tank", "recirculation"),
        *("static_pressure_psi", "units_served", "softened_since", "building_built", "record_start"),
    ]
    assert records.services.empty
    assert records.waters.empty
    assert records.as_of == TODAY
    dates = [name for name in records.heaters if name.endswith(("_earliest", "_latest", "_since", "_start"))]
    assert all(records.heaters[name].dtype == "datetime64[ns]" for name in dates)


def test_watching_begins_with_the_property_record_but_never_before_the_install(in_house: Cast) -> None:
    make_heater(
        in_house.house,
        tag="H-old",
        installed_earliest=date(2003, 1, 1),
        installed_latest=date(2003, 12, 31),
        installed_precision="year",
    )
    assert row().record_start == pd.Timestamp(2016, 5, 3)
    assert row(tag="H-old").record_start == pd.Timestamp(2014, 1, 1)


def test_without_a_stated_beginning_nothing_was_watched_whatever_work_or_ending_is_on_record(
    in_house: Cast,
) -> None:
    """A list of what stands today names the last flush of those that lived; a remembered ending is not all endings."""
    old = make_heater(
        in_house.house,
        tag="H-old",
        installed_earliest=date(2003, 2, 3),
        installed_latest=date(2003, 2, 3),
        ending="tank_leak",
        removed_earliest=date(2019, 4, 5),
        removed_latest=date(2019, 4, 5),
        removed_precision="day",
    )
    in_house.property.records_since = None
    in_house.property.save()
    assert row().record_start == pd.Timestamp(TODAY)
    for heater in (old, in_house.heater):
        ServiceRecord.objects.create(
            organisation=in_house.house,
            heater=heater,
            kind="flush",
            done_earliest=date(2018, 1, 1),
            done_latest=date(2018, 1, 31),
            done_precision="month",
        )
    assert row().record_start == pd.Timestamp(TODAY)
    Heater.objects.filter(tag="H-old").delete()
    assert row().record_start == pd.Timestamp(TODAY)


def test_a_forecast_for_a_past_day_knows_nothing_later(in_house: Cast) -> None:
    heater = in_house.heater
    Heater.objects.filter(pk=heater.pk).update(
        ending="tank_leak",
        removed_earliest=date(2022, 6, 1),
        removed_latest=date(2022, 6, 1),
        removed_precision="day",
    )
    make_heater(
        in_house.house, tag="H-new", installed_earliest=date(2022, 6, 2), installed_latest=date(2022, 6, 2)
    )
    for year in (2018, 2023):
        ServiceRecord.objects.create(
            organisation=in_house.house,
            heater=heater,
            kind="flush",
            done_earliest=date(year, 1, 1),
            done_latest=date(year, 1, 1),
            done_precision="day",
        )
        WaterTest.objects.create(
            organisation=in_house.house,
            property=in_house.property,
            tested_earliest=date(year, 1, 1),
            tested_latest=date(year, 1, 1),
            tested_precision="day",
            hardness_mg_l=year,
        )
    past = records_in_scope(date(2020, 1, 1))
    assert list(past.heaters["heater_id"]) == [heater.pk]
    assert past.heaters["ending"].iloc[0] == ""
    assert past.heaters["ended_latest"].isna().all()
    assert len(past.services) == len(past.waters) == 1
    assert past.waters["hardness_mg_l"].iloc[0] == 2018
    now = records_in_scope(TODAY)
    assert row().ending == "tank_leak"
    assert len(now.heaters) == len(now.services) == len(now.waters) == 2


def test_an_ending_of_unknown_day_lies_between_install_and_today(in_house: Cast) -> None:
    Heater.objects.filter(pk=in_house.heater.pk).update(ending="tank_leak", removed_precision="unknown")
    found = row()
    assert (found.ended_earliest, found.ended_latest) == (pd.Timestamp(2016, 5, 3), pd.Timestamp(TODAY))


def test_a_water_test_of_a_property_counts_for_each_of_its_buildings(in_house: Cast) -> None:
    other = Building.objects.create(organisation=in_house.house, property=in_house.property, name="B")
    place = Position.objects.create(organisation=in_house.house, building=other, label="x")
    Heater.objects.create(
        organisation=in_house.house,
        position=place,
        tag="H-2",
        kind="heat_pump",
        installed_precision="unknown",
    )
    common = {
        "organisation": in_house.house,
        "property": in_house.property,
        "tested_precision": "day",
        "tested_earliest": date(2020, 1, 1),
        "tested_latest": date(2020, 1, 1),
    }
    WaterTest.objects.create(**common, hardness_mg_l=200)
    WaterTest.objects.create(**common, building=other, hardness_mg_l=90, treatment="softened")
    waters = records_in_scope(TODAY).waters
    found = sorted(zip(waters["building_id"], waters["hardness_mg_l"], strict=True))
    assert found == sorted([(in_house.building.pk, 200), (other.pk, 200), (other.pk, 90)])


def test_homes_served_fall_back_to_the_building_shared_out(in_house: Cast) -> None:
    Building.objects.filter(pk=in_house.building.pk).update(units_served=12)
    make_heater(in_house.house, tag="H-2", homes_served=3)
    assert row().units_served == 6
    assert row(tag="H-2").units_served == 3


def test_a_foreign_organisation_has_its_own_frames(cast: Cast) -> None:
    with scoped(scope_of_organisation(cast.other_house)):
        assert list(records_in_scope(TODAY).heaters["heater_id"]) == [cast.foreign_heater.pk]
