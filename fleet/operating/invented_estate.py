"""An invented estate of any size, statistically like the demo's, made block by block: plain arrays, no rows yet.

The same number and seed give the same estate, and memory does not grow with the size.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np

from fleet.operating import invented_region as region
from fleet.operating.invented_lives import NEVER, Days, Lives, Places, Services, live, picked

AS_OF = date(2026, 11, 1)
LAST_DAY = (AS_OF - date(1970, 1, 1)).days
BLOCK_POSITIONS = 20_000
PILOT_POSITIONS = 4_000


@dataclass(frozen=True)
class Asked:
    heaters: int  # on record, those that have ended included
    seed: int
    services_per_heater: float
    size_factor: float = 1.0  # properties this many times as large as the demo's


@dataclass(frozen=True)
class Block:
    """Some properties with all that stands in them; `building` gives each position's place in `buildings`."""

    properties: list[region.Property]
    buildings: list[tuple[int, str, int]]  # property in the block, name, year built
    building: Days
    places: Places
    lives: Lives
    services: Services


def simulated(asked: Asked) -> Iterator[Block]:
    """Blocks of properties until there are `asked.heaters` heaters; the last block is cut to the number."""
    care_factor, number, left = _care_factor(asked), 0, asked.heaters
    while left > 0:
        rng = np.random.default_rng([asked.seed, number])
        wanted = min(BLOCK_POSITIONS, left)
        block = _block(number, wanted, care_factor, asked.size_factor, rng)
        if len(block.lives.place) > left:
            block = _cut(block, left)
        left -= len(block.lives.place)
        number += len(block.properties)
        yield block


def _care_factor(asked: Asked) -> float:
    """How much more or less often the crews must come than in the demo to leave so many services a heater."""
    pilot = _block(0, PILOT_POSITIONS, 1.0, asked.size_factor, np.random.default_rng([asked.seed, 2**31]))
    return asked.services_per_heater * len(pilot.lives.place) / max(len(pilot.services.life), 1)


def _block(
    first: int, positions: int, care_factor: float, size_factor: float, rng: np.random.Generator
) -> Block:
    properties: list[region.Property] = []
    while sum(one.positions for one in properties) < positions:
        properties.append(region.make_property(first + len(properties), rng, size_factor, LAST_DAY))
    buildings: list[tuple[int, str, int]] = []
    of_position: list[Days] = []
    for index, one in enumerate(properties):
        of_position.append(len(buildings) + np.arange(one.positions) * one.buildings // one.positions)
        for name in range(one.buildings):
            built = int(rng.integers(one.built[0], one.built[1] + 1))
            buildings.append((index, f"{name + 1}", built))
    building = np.concatenate(of_position)
    places = _places(properties, buildings, building, care_factor, rng)
    lives, services = live(places, LAST_DAY, rng)
    return Block(properties, buildings, building, places, lives, services)


def _places(
    properties: list[region.Property],
    buildings: list[tuple[int, str, int]],
    building: Days,
    care_factor: float,
    rng: np.random.Generator,
) -> Places:
    of_building = np.array([index for index, _, _ in buildings])
    owner = of_building[building]
    count = len(building)

    def each(value: Callable[[region.Property], float]) -> Any:
        return np.array([value(one) for one in properties])[owner]

    kinds = [region.kinds_of(one.sort, one.positions, rng) for one in properties]
    effect = rng.gamma(1 / 0.12, 0.12, len(buildings))
    luck = rng.normal(1.0, 0.06, len(buildings))
    built = np.array([year for _, _, year in buildings])[building]
    start = (np.maximum(built, 2003) - 1970) * 365.2425 + 59
    spread = np.where(built >= 2003, 400, 3200)
    central = each(lambda one: one.sort.homes) > 2
    closed = rng.random(count) < 0.5
    setpoint = np.where(central, 140.0, rng.choice([120, 120, 125, 130, 140], size=count))
    return Places(
        kind=np.concatenate(kinds),
        first_installed=(start + rng.random(count) * spread).astype(np.int64),
        effect=effect[building],
        hardness=each(lambda one: one.water.hardness) * luck[building],
        softened=each(
            lambda one: float(NEVER) if one.softened_day is None else float(one.softened_day)
        ).astype(np.int64),
        setpoint_f=setpoint,
        closed=closed,
        expansion_tank=closed & (rng.random(count) < 0.6),
        care=each(lambda one: one.care) * care_factor,
        planned_at=each(lambda one: one.sort.planned_at_years or float("inf")),
        listed=each(lambda one: float(one.first_listed_day)).astype(np.int64),
    )


def _cut(block: Block, heaters: int) -> Block:
    """The last so many heaters: a position keeps its latest units, and some positions at the front stand empty."""
    dropped = len(block.lives.place) - heaters
    lives = picked(block.lives, np.arange(dropped, len(block.lives.place)))
    services = picked(block.services, np.flatnonzero(block.services.life >= dropped))
    services.life = services.life - dropped
    return replace(block, lives=lives, services=services)
