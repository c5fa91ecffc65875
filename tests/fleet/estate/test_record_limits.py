"""What the database itself refuses, whichever code writes."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from django.db import IntegrityError, transaction

from fleet.heaters.models import Heater
from tests.conftest import Cast, make_heater

DAY = date(2020, 2, 29)
GONE = {"ending": "tank_leak", "removed_precision": "day"}


@pytest.mark.parametrize(
    "fields",
    [
        {"capacity_gal": 20_000},
        {"setpoint_f": 400},
        {"relief_valve_psi": 4000},
        {"ending": "tank_leak"},
        {"removed_precision": "day"},
        {**GONE, "removed_earliest": date(2010, 1, 1), "removed_latest": date(2010, 1, 1)},
        {"installed_earliest": date(2021, 1, 1), "installed_latest": DAY},
    ],
)
def test_an_impossible_heater_is_refused(in_house: Cast, fields: dict[str, Any]) -> None:
    with pytest.raises(IntegrityError), transaction.atomic():
        make_heater(in_house.house, tag="H-2", **fields)


def test_two_heaters_cannot_stand_in_one_position_at_one_time(in_house: Cast) -> None:
    with pytest.raises(IntegrityError), transaction.atomic():
        Heater.objects.create(
            organisation=in_house.house, position=in_house.position, tag="H-2", kind="electric_storage"
        )


def test_a_past_heater_that_overlaps_the_present_one_is_refused(in_house: Cast) -> None:
    with pytest.raises(IntegrityError, match="position"), transaction.atomic():
        Heater.objects.create(
            organisation=in_house.house,
            position=in_house.position,
            tag="H-0",
            kind="electric_storage",
            installed_earliest=date(2010, 1, 1),
            installed_latest=date(2010, 1, 1),
            installed_precision="day",
            removed_earliest=date(2018, 1, 1),
            removed_latest=date(2018, 1, 1),
            **GONE,
        )


def test_a_predecessor_may_end_on_the_day_its_successor_begins(in_house: Cast) -> None:
    Heater.objects.create(
        organisation=in_house.house,
        position=in_house.position,
        tag="H-0",
        kind="electric_storage",
        installed_earliest=date(2004, 1, 1),
        installed_latest=date(2004, 12, 31),
        installed_precision="year",
        removed_earliest=date(2016, 5, 3),
        removed_latest=date(2016, 5, 3),
        **GONE,
    )
    assert Heater.objects.filter(position=in_house.position).count() == 2
