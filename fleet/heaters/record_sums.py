"""Counting what is on record and what is missing there, by property: as it is now, and for the kept sums that pages read."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import TYPE_CHECKING, Any

from django.db.models import Count, Q, QuerySet

from fleet.estate import kept_sums
from fleet.estate.kept_sums import KeptSums
from fleet.estate.marks import Watched
from fleet.estate.models import Organisation
from fleet.estate.rounds import each_minute
from fleet.estate.scope import Reach, Scope, scoped
from fleet.heaters.gap_words import NAMES
from fleet.heaters.models import Heater, Kind
from fleet.heaters.record_sum_rows import RecordMark, RecordSum

if TYPE_CHECKING:
    import numpy as np

    from forecasting.episodes import Records

LOOKED_BY = 1  # raise it where a question is asked in another way, so that kept answers are looked for anew
OF_BUILDING = "SELECT b.property_id FROM estate_building b WHERE b.id = {key}"
OF_POSITION = "SELECT b.property_id FROM estate_position p JOIN estate_building b ON b.id = p.building_id WHERE p.id = {key}"
OF_HEATER = (
    "SELECT b.property_id FROM heaters_heater h JOIN estate_position p ON p.id = h.position_id "
    "JOIN estate_building b ON b.id = p.building_id WHERE h.id = {key}"
)
_ALTERED = ("update",)


def _watched(table: str, key: str, place: str = "{key}", **more: Any) -> Watched:
    led = place if place == "{key}" else f"({place})"
    return Watched(table, "heaters_recordsum", "heaters_recordmark", "property_id", key, led, **more)


WATCHED = (
    _watched("heaters_heater", "position_id", OF_POSITION),
    _watched("heaters_servicerecord", "heater_id", OF_HEATER),
    _watched("heaters_watertest", "property_id"),
    # A new place has no heater yet, and one that goes had lost its heaters before.
    _watched("estate_position", "building_id", OF_BUILDING, events=_ALTERED),
    _watched("estate_building", "property_id", events=_ALTERED),
    _watched("estate_property", "id", columns=("records_since",), events=_ALTERED),
)


@cache
def counted_by() -> str:
    """What a kept sum was counted with: it holds numbers that stand for kinds and questions in their order."""
    return hashlib.sha256(repr((Kind.values, NAMES, LOOKED_BY)).encode()).hexdigest()[:12]


def age_type() -> np.dtype[Any]:
    """One heater's kind (its place in `Kind`) and the bounds of its first day as ordinals; 0 where nothing is known."""
    import numpy as np

    return np.dtype([("kind", "u1"), ("earliest", "<i4"), ("latest", "<i4")])


def ages_of(heaters: QuerySet[Heater]) -> dict[int, np.ndarray[Any, Any]]:
    """By property, what is known of when each heater was put in, else of when it was made."""
    import numpy as np

    place = {kind: number for number, kind in enumerate(Kind.values)}
    found: dict[int, list[tuple[int, int, int]]] = defaultdict(list)
    for number, kind, first, last, made_first, made_last in heaters.order_by().values_list(
        "position__building__property_id", "kind", "installed_earliest", "installed_latest", "made_earliest",
        "made_latest",
    ):  # fmt: skip
        early, late = (first or last, last or first) if first or last else (
            made_first or made_last, made_last or made_first)  # fmt: skip
        found[number].append(
            (place[kind], early.toordinal() if early else 0, late.toordinal() if late else 0)
        )
    return {number: np.array(sorted(rows), dtype=age_type()) for number, rows in found.items()}


@dataclass(frozen=True)
class Plain:
    """What weakens one property's record itself."""

    heaters: int = 0
    undated: int = 0
    uncaused: int = 0
    unnumbered: int = 0


def plain_counts(heaters: QuerySet[Heater]) -> dict[int, Plain]:
    rows = (
        heaters.order_by()
        .values_list("position__building__property_id")
        .annotate(
            standing=Count("pk", filter=Q(ending="")),
            undated=Count("pk", filter=~Q(ending="") & Q(removed_precision="unknown")),
            uncaused=Count("pk", filter=Q(ending="removed")),
            unnumbered=Count("pk", filter=Q(ending="", serial_number="")),
        )
    )
    return {number: Plain(*counts) for number, *counts in rows}


def lacking_of(records: Records) -> dict[int, tuple[int, np.ndarray[Any, Any]]]:
    """By property: heaters in service, and for each question the heaters and buildings that lack its answer and the
    squares of the heaters by building (heaters of one building share an answer)."""
    import numpy as np

    from forecasting.missing import in_service, missing_inputs

    heaters = in_service(records)
    owner = dict(zip(heaters["building_id"], heaters["property_id"], strict=True))
    standing = heaters["property_id"].value_counts()
    found = {
        int(number): (int(count), np.zeros((len(NAMES), 3), dtype="<i8"))
        for number, count in zip(standing.index, standing, strict=True)
    }
    missing = missing_inputs(records).groupby(["input", "building_id"]).size().reset_index(name="heaters")
    for name, building_id, count in zip(
        missing["input"], missing["building_id"], missing["heaters"], strict=True
    ):
        found[int(owner[building_id])][1][NAMES.index(name)] += (count, 1, count * count)
    return found


def _counted(organisation: Organisation, property_ids: list[int], today: date) -> Iterable[RecordSum]:
    with scoped(Scope((Reach(organisation.pk, frozenset(property_ids)),), actor="the program")):
        return list(_rows(organisation.pk, property_ids, today))


def _rows(organisation_id: int, property_ids: Iterable[int], today: date) -> Iterable[RecordSum]:
    import numpy as np

    heaters: QuerySet[Heater] = Heater.objects.all()
    plain, ages = plain_counts(heaters), ages_of(heaters.filter(ending=""))
    looked = looked_at(today) if plain else {}
    nothing = (0, np.zeros((len(NAMES), 3), dtype="<i8"))
    for number in property_ids:
        counts = plain.get(number, Plain())
        standing, lacking = looked.get(number, nothing)
        yield RecordSum(
            organisation_id=organisation_id,
            property_id=number,
            counted_by=counted_by(),
            heaters=counts.heaters,
            ages=ages[number].tobytes() if number in ages else b"",
            looked_on=today,
            standing=standing,
            lacking=lacking.tobytes(),
            undated=counts.undated,
            uncaused=counts.uncaused,
            unnumbered=counts.unnumbered,
        )


def looked_at(as_of: date) -> dict[int, tuple[int, np.ndarray[Any, Any]]]:
    from fleet.planning.frames import records_in_scope

    return lacking_of(records_in_scope(as_of))


KEPT = KeptSums(
    name="record sums",
    sums=RecordSum,
    marks=RecordMark,
    place="property",
    day="looked_on",
    watched=WATCHED,
    at_once=100,
    counted_by=counted_by,
    counted=_counted,
)


@each_minute(KEPT.name)
def recount() -> bool:
    return kept_sums.recount(KEPT)
