"""The invented places of a made estate: kinds of property as the demo estate has them, none of them real.

The numbers are scenario choices in the manner of `fixtures/demo/region.py`, not published results.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

KINDS = (
    "gas_storage_atmospheric",
    "gas_storage_power_vent",
    "gas_storage_condensing",
    "electric_storage",
    "heat_pump",
    "gas_tankless",
    "electric_tankless",
    "indirect_tank",
    "commercial_gas_storage",
    "commercial_electric_storage",
    "boiler_with_tank",
)
ANODES = ("magnesium", "aluminium", "aluminium_zinc", "powered", "none")


@dataclass(frozen=True)
class Water:
    """A water district's typical raw water, mg/L (hardness and alkalinity as CaCO3)."""

    hardness: float
    alkalinity: float
    ph: float
    solids: float
    chloride: float
    sulfate: float
    temperature_c: float
    time_zone: str
    code_family: str


WATERS = (
    Water(62, 48, 7.4, 130, 12, 14, 12.2, "America/Chicago", "ipc"),
    Water(178, 150, 7.6, 320, 34, 46, 13.9, "America/Chicago", "ipc"),
    Water(318, 232, 7.7, 610, 88, 120, 16.1, "America/Denver", "upc"),
)


@dataclass(frozen=True)
class Sort:
    """A sort of property: share of all properties, mix of kinds, positions, buildings, care a year, homes a heater."""

    share: float
    mix: dict[str, float]
    positions: tuple[int, int]
    buildings: tuple[int, int]
    care: tuple[float, float]
    homes: float = 1.0
    planned_at_years: float | None = None


SORTS = (
    Sort(0.20, {"gas_storage_atmospheric": 0.88, "gas_storage_power_vent": 0.08, "gas_tankless": 0.04},
         (40, 66), (4, 7), (0.25, 0.60)),
    Sort(0.20, {"electric_storage": 0.90, "heat_pump": 0.10}, (28, 60), (3, 6), (0.20, 0.45)),
    Sort(0.14, {"gas_storage_atmospheric": 0.42, "gas_storage_power_vent": 0.30,
                "gas_storage_condensing": 0.10, "gas_tankless": 0.18},
         (28, 38), (3, 5), (0.50, 0.55), planned_at_years=15.0),
    Sort(0.20, {"commercial_gas_storage": 0.62, "boiler_with_tank": 0.22, "commercial_electric_storage": 0.16},
         (6, 13), (1, 4), (0.65, 0.90), homes=14.0),
    Sort(0.13, {"electric_storage": 0.50, "indirect_tank": 0.20, "electric_tankless": 0.15,
                "commercial_electric_storage": 0.15}, (14, 21), (2, 4), (0.40, 0.70)),
    Sort(0.07, {"electric_storage": 0.55, "heat_pump": 0.45}, (20, 26), (3, 5), (0.45, 0.55)),
    Sort(0.06, {"gas_tankless": 0.6, "indirect_tank": 0.4}, (9, 14), (2, 4), (0.55, 0.65)),
)  # fmt: skip
FIRST_WORDS = (
    "Alder", "Brindle", "Copper", "Dunmar", "Elder", "Fallow", "Gossamer", "Harrow", "Inkwell", "Juniper", "Kestrel",
    "Lantern", "Moss", "Nettle", "Orchard", "Plover", "Quill", "Russet", "Sorrel", "Thistle", "Umber", "Vesper",
    "Willow", "Yarrow",
)  # fmt: skip
LAST_WORDS = (
    "Gardens",
    "Row",
    "Mill",
    "Heights",
    "Court",
    "Gate",
    "Yard",
    "House",
    "Locks",
    "Bank",
    "Wharf",
    "Stair",
)


@dataclass(frozen=True)
class Property:
    number: int
    name: str
    sort: Sort
    water: Water
    positions: int
    buildings: int
    care: float  # visits a heater a year
    fiscal_month: int
    first_listed_day: int  # days since 1970
    softened_day: int | None
    built: tuple[int, int]
    water_tested: bool


def make_property(number: int, rng: np.random.Generator, size_factor: float, last_day: int) -> Property:
    shares = np.array([sort.share for sort in SORTS])
    sort = SORTS[int(rng.choice(len(SORTS), p=shares / shares.sum()))]
    water = WATERS[int(rng.integers(len(WATERS)))]
    positions = max(1, round(float(rng.integers(sort.positions[0], sort.positions[1] + 1)) * size_factor))
    buildings = round(float(rng.integers(sort.buildings[0], sort.buildings[1] + 1)) * size_factor)
    name = f"{FIRST_WORDS[number % 24]} {LAST_WORDS[number // 24 % 12]} {number + 1}"
    built = int(rng.integers(2000, 2009))
    listed = last_day - int(rng.integers(2500, 4400) if rng.random() < 0.4 else rng.integers(2400, 2800))
    softened = last_day - int(rng.integers(1500, 3500)) if rng.random() < 0.07 else None
    return Property(
        number=number,
        name=name,
        sort=sort,
        water=water,
        positions=positions,
        buildings=min(positions, max(1, buildings)),
        care=float(rng.uniform(*sort.care)),
        fiscal_month=int(rng.choice([1, 7, 10, 4], p=[0.68, 0.2, 0.06, 0.06])),
        first_listed_day=listed,
        softened_day=softened,
        built=(built, built + int(rng.integers(0, 7))),
        water_tested=bool(rng.random() < 0.87),
    )


def kinds_of(sort: Sort, count: int, rng: np.random.Generator) -> NDArray[np.int64]:
    shares = np.array([sort.mix.get(kind, 0.0) for kind in KINDS])
    drawn: NDArray[np.int64] = rng.choice(len(KINDS), size=count, p=shares / shares.sum()).astype(np.int64)
    return drawn
