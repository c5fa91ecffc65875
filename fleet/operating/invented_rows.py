"""The made estate's arrays as rows of the tables, with the vagueness and the gaps that a real record has."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fleet.operating.invented_estate import LAST_DAY, Block
from fleet.operating.invented_lives import COMMERCIAL, ELECTRIC, ENDINGS, NEVER, WORK, Days
from fleet.operating.invented_region import ANODES, KINDS

Rows = tuple[list[str], Iterator[tuple[Any, ...]]]
_EPOCH = date(1970, 1, 1)
_TEXT = [(_EPOCH + timedelta(days=number)).isoformat() for number in range(LAST_DAY + 800)]
_MONTH_START = np.array([number - int(text[8:]) + 1 for number, text in enumerate(_TEXT)])
_YEAR_START = np.searchsorted([text[:4] for text in _TEXT], [text[:4] for text in _TEXT])
_NEXT_MONTH = np.array([int(_MONTH_START[min(start + 31, len(_TEXT) - 1)]) for start in _MONTH_START])
_NEXT_YEAR = np.array([int(_YEAR_START[min(start + 366, len(_TEXT) - 1)]) for start in _YEAR_START])
#        capacities (gal) and inputs (Btu/h), in the order of KINDS
_SIZES = (
    ((40, 50, 50, 40, 30), (40_000, 40_000, 36_000, 34_000, 30_000)),
    ((50, 40, 75), (42_000, 40_000, 75_000)),
    ((50, 55), (75_000, 65_000)),
    ((50, 40, 30, 50, 80), (15_354, 15_354, 12_284, 18_766, 15_354)),
    ((50, 65, 80), (15_354, 15_354, 15_354)),
    ((None, None, None), (199_000, 180_000, 150_000)),
    ((None, None), (61_416, 92_124)),
    ((40, 60, 80), (None, None, None)),
    ((100, 80, 75, 100), (199_000, 199_999, 150_000, 250_000)),
    ((119, 80, 50), (184_248, 122_832, 61_416)),
    ((120, 200, 250), (399_000, 500_000, 300_000)),
)


def property_rows(organisation: int, first: int, block: Block) -> Rows:
    columns = ["id", "organisation_id", "name", "address", "time_zone", "fiscal_year_start_month", "currency",
               "code_family", "records_since"]  # fmt: skip
    return columns, (
        (first + index, organisation, one.name, f"{one.number + 1} Invented Street, Marrowfen (invented)",
         one.water.time_zone, one.fiscal_month, "USD", one.water.code_family, _TEXT[one.first_listed_day])
        for index, one in enumerate(block.properties)
    )  # fmt: skip


def building_rows(organisation: int, property_: int, first: int, block: Block) -> Rows:
    columns = ["id", "organisation_id", "property_id", "name", "year_built", "softened_since"]
    softened = [None if one.softened_day is None else _TEXT[one.softened_day] for one in block.properties]
    return columns, (
        (first + index, organisation, property_ + owner, name, built, softened[owner])
        for index, (owner, name, built) in enumerate(block.buildings)
    )


def position_rows(
    organisation: int, building: int, first: int, block: Block, rng: np.random.Generator
) -> Rows:
    columns = ["id", "organisation_id", "building_id", "label", "floor", "below", "has_pan", "closed_system",
               "has_expansion_tank", "static_pressure_psi"]  # fmt: skip
    count = len(block.building)
    below = rng.choice(["", "ground", "unfinished", "finished"], size=count, p=[0.2, 0.3, 0.2, 0.3]).tolist()
    pan, closed = rng.random(count) < 0.55, _known(block.places.closed, 0.6, rng)
    tank = _known(block.places.expansion_tank, 0.6, rng)
    pressure = rng.choice([52, 58, 60, 65, 70, 74, 82, 95], size=count).astype(object)
    pressure[rng.random(count) < 0.5] = None
    return columns, (
        (first + index, organisation, building + of, f"place {index + 1}", f"{index // 4 % 9 + 1}", *rest)
        for index, (of, *rest) in enumerate(
            zip(block.building.tolist(), below, pan.tolist(), closed, tank, pressure.tolist(), strict=True)
        )
    )


def heater_rows(
    organisation: int, position: int, first: int, before: int, block: Block, rng: np.random.Generator
) -> Rows:
    columns = ["id", "organisation_id", "position_id", "tag", "kind", "fuel", "maker", "serial_number",
               "capacity_gal", "input_btu_h", "installed_earliest", "installed_latest", "installed_precision",
               "removed_earliest", "removed_latest", "removed_precision", "ending", "warranty_years",
               "anode_kind", "anode_count", "setpoint_f", "recirculation", "homes_served", "made_earliest",
               "made_latest", "made_precision"]  # fmt: skip
    lives, count = block.lives, len(block.lives.place)
    commercial = COMMERCIAL[lives.kind]
    pick = rng.integers(0, 60, count)
    sizes = [_SIZES[kind] for kind in lives.kind.tolist()]
    capacity = [size[0][at % len(size[0])] for size, at in zip(sizes, pick.tolist(), strict=True)]
    power = [size[1][at % len(size[1])] for size, at in zip(sizes, pick.tolist(), strict=True)]
    installed = _dated(lives.installed, (0.66, 0.12, 0.15, 0.03, 0.04), rng)
    ended = np.where(lives.ended == NEVER, 0, lives.ended)
    removed = _dated(ended, (0.85, 0.15, 0.0, 0.0, 0.0), rng)
    in_service = (lives.ended == NEVER).tolist()
    gone = [(None, None, "") if stays else dates for stays, dates in zip(in_service, removed, strict=True)]
    setpoint = block.places.setpoint_f[lives.place].astype(object)
    setpoint[rng.random(count) < 0.25] = None
    anode = np.array(ANODES, dtype=object)[lives.anode]
    anode[rng.random(count) < 0.3] = ""
    anodes = np.where(lives.anode == ANODES.index("none"), 0, np.where(commercial, 2, 1))
    warranty = np.where(commercial, rng.choice([3, 5], size=count), rng.choice([6, 6, 9, 12], size=count))
    makers = rng.choice(["Maker A", "Maker B", "Maker C", "Maker D"], size=count, p=[0.4, 0.3, 0.2, 0.1])
    fuels = ["electricity" if flag else "natural_gas" for flag in (ELECTRIC[lives.kind]).tolist()]
    fuels = ["electricity" if KINDS[kind] == "heat_pump" else fuel
             for kind, fuel in zip(lives.kind.tolist(), fuels, strict=True)]  # fmt: skip
    made = _dated(lives.installed - 12 - rng.gamma(2.0, 55, count).astype(int), (0, 0.5, 0.1, 0, 0.4), rng)
    serials = rng.integers(100_000, 999_999, count).tolist()
    each = zip(
        lives.place.tolist(), lives.kind.tolist(), fuels, makers.tolist(), serials, capacity, power, installed,
        gone, lives.ending.tolist(), warranty.tolist(), anode.tolist(), anodes.tolist(), setpoint.tolist(),
        commercial.tolist(), made, strict=True,
    )  # fmt: skip
    return columns, (
        (first + index, organisation, position + place, f"T{before + index + 1:07d}", KINDS[kind], fuel, maker,
         f"{maker[-1]}{serial}-{index}", gallons, btu, *put_in, *out, ENDINGS[ending], years, rod, rods, hot,
         central, 14.0 if central else 1.0, *built)
        for index, (place, kind, fuel, maker, serial, gallons, btu, put_in, out, ending, years, rod, rods, hot,
                    central, built) in enumerate(each)
    )  # fmt: skip


def service_rows(organisation: int, heater: int, block: Block, rng: np.random.Generator) -> Rows:
    """Each done to the day or, one in twelve, to the month; the same work twice in such a month is one record."""
    columns = ["organisation_id", "heater_id", "kind", "done_earliest", "done_latest", "done_precision",
               "anode_left_fraction", "setpoint_f"]  # fmt: skip
    services = block.services
    month = rng.random(len(services.life)) < 0.08
    early = np.where(month, _MONTH_START[services.day], services.day)
    key = (services.life * 16 + services.work) * (len(_TEXT) * 2) + early * 2 + month
    _, once = np.unique(key, return_index=True)
    late = np.where(month, np.minimum(_NEXT_MONTH[services.day] - 1, LAST_DAY - 1), services.day)
    left = services.anode_left.astype(object)
    left[np.isnan(services.anode_left)] = None
    hot = block.places.setpoint_f[block.lives.place[services.life]].astype(object)
    hot[services.work != WORK.index("inspected")] = None
    parts = (heater + services.life, services.work, early, late, month, left, hot)
    return columns, (
        (
            organisation,
            number,
            WORK[work],
            _TEXT[first],
            _TEXT[last],
            "month" if vague else "day",
            rod,
            degrees,
        )
        for number, work, first, last, vague, rod, degrees in zip(
            *(part[once].tolist() for part in parts), strict=True
        )
    )


def water_rows(
    organisation: int, property_: int, building: int, block: Block, rng: np.random.Generator
) -> tuple[list[str], list[tuple[Any, ...]]]:
    """Each property's water, tested every one to three years, mostly of the whole property."""
    columns = ["organisation_id", "property_id", "building_id", "treatment", "tested_earliest", "tested_latest",
               "tested_precision", "hardness_mg_l", "alkalinity_mg_l", "ph", "dissolved_solids_mg_l",
               "chloride_mg_l", "sulfate_mg_l", "temperature_c"]  # fmt: skip
    first_building: dict[int, int] = {}
    for number, (owner, _, _) in enumerate(block.buildings):
        first_building.setdefault(owner, number)
    rows: list[tuple[Any, ...]] = []
    for index, one in enumerate(block.properties):
        day = 16_556 + int(rng.integers(0, 700))  # 2015-05-01 and after
        while one.water_tested and day < LAST_DAY:
            soft = one.softened_day is not None and day >= one.softened_day and rng.random() < 0.6
            whole = not soft and rng.random() < 0.7
            water, near = one.water, rng.normal(1.0, 0.05, 5)
            rows.append(
                (organisation, property_ + index, None if whole else building + first_building[index],
                 "softened" if soft else "raw", _TEXT[day], _TEXT[day], "day",
                 round(float(rng.gamma(9, 2)) if soft else water.hardness * float(near[0])),
                 round(water.alkalinity * float(near[1])), round(water.ph + float(rng.normal(0, 0.1)), 1),
                 round(water.solids * float(near[2])), round(water.chloride * float(near[3])),
                 round(water.sulfate * float(near[4])),
                 round(water.temperature_c + float(rng.normal(0, 2)), 1))
            )  # fmt: skip
            day += int(rng.integers(400, 1100))
    return columns, rows


def _known(flags: NDArray[np.bool_], share: float, rng: np.random.Generator) -> list[bool | None]:
    values = flags.astype(object)
    values[rng.random(len(flags)) >= share] = None
    return list(values.tolist())


def _dated(
    days: Days, shares: tuple[float, ...], rng: np.random.Generator
) -> list[tuple[str | None, str | None, str]]:
    """Bounds and precision, with shares known to the day, month, year, between two dates, and not at all."""
    how = rng.choice(5, size=len(days), p=np.array(shares) / sum(shares))
    early = np.select(
        [how == 0, how == 1, how == 2], [days, _MONTH_START[days], _YEAR_START[days]], days - 60
    )
    late = np.select(
        [how == 0, how == 1, how == 2], [days, _NEXT_MONTH[days] - 1, _NEXT_YEAR[days] - 1], days + 60
    )
    late = np.minimum(late, np.maximum(LAST_DAY - 1, days))
    words = ("day", "month", "year", "between", "unknown")
    return [
        (None, None, "unknown") if kind == 4 else (_TEXT[first], _TEXT[last], words[kind])
        for kind, first, last in zip(how.tolist(), early.tolist(), late.tolist(), strict=True)
    ]
