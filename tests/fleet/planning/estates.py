"""A small invented estate with endings, services and water tests, made quickly and the same every time."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from fleet.estate.models import Building, Organisation, Position, Property
from fleet.heaters.models import Heater, ServiceRecord, WaterTest

AS_OF = date(2026, 11, 1)
KINDS = ("gas_storage_atmospheric", "electric_storage", "heat_pump", "gas_storage_power_vent")


def grow_estate(
    organisation: Organisation,
    positions: int = 60,
    properties: int = 3,
    fiscal_months: tuple[int, ...] = (1, 7),
    seed: int = 3,
) -> None:
    """Positions each with a chain of heaters since 1998, Weibull lives (shape 3, scale 14 years), watched since 2014."""
    rng = np.random.default_rng(seed)
    estates = [
        Property.objects.create(
            organisation=organisation,
            name=f"Invented {number}",
            fiscal_year_start_month=fiscal_months[number % len(fiscal_months)],
            records_since=date(2014, 1, 1),
        )
        for number in range(properties)
    ]
    buildings = [
        Building.objects.create(organisation=organisation, property=estate, name=name, units_served=20)
        for estate in estates
        for name in ("North", "South")
    ]
    for estate in estates:
        WaterTest.objects.create(
            organisation=organisation,
            property=estate,
            tested_earliest=date(2020, 5, 1),
            tested_latest=date(2020, 5, 1),
            tested_precision="day",
            hardness_mg_l=float(rng.uniform(40, 300)),
            ph=7.8,
        )
    places = Position.objects.bulk_create(
        Position(organisation=organisation, building=buildings[number % len(buildings)], label=f"P{number}")
        for number in range(positions)
    )
    heaters = []
    for number, place in enumerate(places):
        start = date(1998, 1, 1) + timedelta(days=int(rng.uniform(0, 5000)))
        chain = 0
        while start < AS_OF:
            life = timedelta(days=int(365.25 * 14 * rng.weibull(3)) + 1)
            end = start + life
            ended = end < AS_OF
            if not ended or end >= date(2014, 1, 1):
                vague = rng.random() < 0.1
                heaters.append(
                    Heater(
                        organisation=organisation,
                        position=place,
                        tag=f"H{number}-{chain}",
                        kind=KINDS[number % len(KINDS)],
                        capacity_gal=(40, 50, 75)[number % 3],
                        installed_earliest=date(start.year, 1, 1) if vague else start,
                        installed_latest=date(start.year, 12, 31) if vague and start.year < 2026 else start,
                        installed_precision="between" if vague else "day",
                        ending="tank_leak" if ended else "",
                        removed_earliest=end if ended else None,
                        removed_latest=end if ended else None,
                        removed_precision="day" if ended else "",
                        setpoint_f=125 if number % 2 else None,
                    )
                )
            start = end + timedelta(days=1)
            chain += 1
    Heater.objects.bulk_create(heaters)
    ServiceRecord.objects.bulk_create(
        ServiceRecord(
            organisation=organisation,
            heater=heater,
            kind="flush",
            done_earliest=date(2021, 3, 1),
            done_latest=date(2021, 3, 1),
            done_precision="day",
        )
        for heater in heaters[::3]
        if heater.installed_latest < date(2021, 3, 1)
        and (heater.removed_latest is None or heater.removed_latest > date(2021, 3, 1))
    )
