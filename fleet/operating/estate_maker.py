"""`make-estate`: write an invented estate of any size into an empty organisation, for load tests and benchmarks.

Vague dates and missing facts stand in it as in the demo's; what is untidy in the demo's spreadsheet (spelling, units,
double rows) is not, since these rows do not pass the importer. The tables' own constraints and triggers hold.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from django.db import transaction

from fleet.estate.bulk_rows import reserve_ids, write_rows
from fleet.estate.models import Building, Organisation, Position, Property
from fleet.heaters.models import Heater, ServiceRecord, WaterTest
from fleet.operating import invented_rows as rows
from fleet.operating.invented_estate import Asked, Block, simulated
from fleet.operating.invented_lives import NEVER


class EstateRefused(ValueError):
    """The estate cannot be made; the message says why."""


@dataclass
class Made:
    properties: int = 0
    buildings: int = 0
    heaters: int = 0
    in_service: int = 0
    services: int = 0
    water_tests: int = 0


@transaction.atomic
def make_estate(
    organisation: Organisation, asked: Asked, progress: Callable[[Made], None] = lambda made: None
) -> Made:
    """All of it or nothing."""
    if Property.objects.filter(organisation=organisation).exists():
        raise EstateRefused(
            f"{organisation} already has a record; an estate is made only where there is none."
        )
    made, rng = Made(), np.random.default_rng([asked.seed, 2**31 + 1])
    for block in simulated(asked):
        _write(organisation.pk, block, made, rng)
        progress(made)
    return made


def _write(organisation_id: int, block: Block, made: Made, rng: np.random.Generator) -> None:
    property_ = reserve_ids(Property, len(block.properties))
    write_rows(Property, *rows.property_rows(organisation_id, property_, block))
    building = reserve_ids(Building, len(block.buildings))
    write_rows(Building, *rows.building_rows(organisation_id, property_, building, block))
    position = reserve_ids(Position, len(block.building))
    write_rows(Position, *rows.position_rows(organisation_id, building, position, block, rng))
    heater = reserve_ids(Heater, len(block.lives.place))
    write_rows(Heater, *rows.heater_rows(organisation_id, position, heater, made.heaters, block, rng))
    columns, services = rows.service_rows(organisation_id, heater, block, rng)
    written = list(services)
    write_rows(ServiceRecord, columns, written)
    columns, tests = rows.water_rows(organisation_id, property_, building, block, rng)
    write_rows(WaterTest, columns, tests)
    made.properties += len(block.properties)
    made.buildings += len(block.buildings)
    made.heaters += len(block.lives.place)
    made.in_service += int((block.lives.ended == NEVER).sum())
    made.services += len(written)
    made.water_tests += len(tests)
