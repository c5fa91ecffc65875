"""Counting what is on record and what is missing there, by property, and keeping it true.

A property that bears a mark is counted anew in the background; until then whoever reads counts it afresh, beside the kept
sums of the others.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import TYPE_CHECKING, Any

from django.db import connection, transaction
from django.db.models import Count, Q, QuerySet

from fleet.estate import marks
from fleet.estate.calendar import day_of
from fleet.estate.models import Organisation, Property
from fleet.estate.rounds import each_minute
from fleet.estate.scope import Reach, Scope, scoped, unscoped
from fleet.heaters.gap_words import NAMES
from fleet.heaters.models import Heater, Kind
from fleet.heaters.record_sum_rows import RecordMark, RecordSum

if TYPE_CHECKING:
    import numpy as np

    from forecasting.episodes import Records

PROPERTIES_AT_ONCE = 100
MARKS_AT_ONCE = 20_000
LOOKED_BY = 1  # raise it where a question is asked in another way, so that kept answers are looked for anew
OF_BUILDING = "SELECT b.property_id FROM estate_building b WHERE b.id = {key}"
OF_POSITION = "SELECT b.property_id FROM estate_position p JOIN estate_building b ON b.id = p.building_id WHERE p.id = {key}"
OF_HEATER = (
    "SELECT b.property_id FROM heaters_heater h JOIN estate_position p ON p.id = h.position_id "
    "JOIN estate_building b ON b.id = p.building_id WHERE h.id = {key}"
)
_ALTERED = ("update",)


def _watched(table: str, key: str, place: str = "{key}", **more: Any) -> marks.Watched:
    led = place if place == "{key}" else f"({place})"
    return marks.Watched(table, "heaters_recordsum", "heaters_recordmark", "property_id", key, led, **more)


WATCHED = (
    _watched("heaters_heater", "position_id", OF_POSITION),
    _watched("heaters_servicerecord", "heater_id", OF_HEATER),
    _watched("heaters_watertest", "property_id"),
    # A new place has no heater yet, and one that goes had lost its heaters before.
    _watched("estate_position", "building_id", OF_BUILDING, events=_ALTERED),
    _watched("estate_building", "property_id", events=_ALTERED),
    _watched("estate_property", "id", columns=("records_since",), events=_ALTERED),
)


def watch(using: str = "default", **_: Any) -> None:
    marks.install(WATCHED, using)


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


@each_minute("record sums")
def recount() -> bool:
    """One step over all organisations: marked properties first, then those last looked at on an earlier day."""
    with unscoped("sums are kept for every organisation"):
        return _marked() or any([_outdated(one) for one in Organisation.objects.order_by("id")])


@transaction.atomic
def forget() -> None:
    """Believe no kept sum: every property is counted anew."""
    _alone()
    marks.forget(WATCHED, connection)


@transaction.atomic
def _marked() -> bool:
    _alone()
    found = RecordMark.objects.order_by("id").values_list("property_id", flat=True)[:MARKS_AT_ONCE]
    chosen = list(dict.fromkeys(found))[:PROPERTIES_AT_ONCE]
    RecordMark.objects.filter(property_id__in=chosen).delete()
    _count_anew(chosen)
    return bool(chosen)


@transaction.atomic
def _outdated(organisation: Organisation) -> bool:
    _alone()
    old = ~Q(looked_on=day_of(organisation)) | ~Q(counted_by=counted_by())
    rows = RecordSum.objects.filter(old, organisation=organisation).order_by("property_id")
    chosen = set(rows.values_list("property_id", flat=True)[:PROPERTIES_AT_ONCE])
    _count_anew(chosen)
    return bool(chosen)


def _alone() -> None:
    """One at a time, and marks go before the count: see `fleet/care/due_sums.py`."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(hashtext('record sums'))")


def _count_anew(property_ids: Collection[int]) -> None:
    houses: dict[int, list[int]] = defaultdict(list)
    for number, organisation_id in Property.objects.filter(pk__in=property_ids).values_list(
        "pk", "organisation_id"
    ):
        houses[organisation_id].append(number)
    rows: list[RecordSum] = []
    for organisation in Organisation.objects.filter(pk__in=houses):
        today = day_of(organisation)
        with scoped(_only(organisation.pk, houses[organisation.pk])):
            rows += _rows(organisation.pk, houses[organisation.pk], today)
    RecordSum.objects.bulk_create(
        rows, update_conflicts=True, unique_fields=["property"], update_fields=KEPT, batch_size=50
    )


KEPT = [one.name for one in RecordSum._meta.concrete_fields if one.name != "property"]


def _only(organisation_id: int, property_ids: Iterable[int]) -> Scope:
    return Scope((Reach(organisation_id, frozenset(property_ids)),), actor="the program")


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


def wrong(most: int = 20) -> list[int]:
    """Properties whose kept sums are believed and are not what is counted now; of some, chosen at random."""
    with transaction.atomic(), unscoped("the operator compares kept sums with the record"):
        _alone()
        marked = RecordMark.objects.values("property_id")
        rows = list(
            RecordSum.objects.filter(counted_by=counted_by())
            .exclude(property__in=marked)
            .order_by("?")[:most]
        )
        found = []
        for row in rows:
            with scoped(_only(row.organisation_id, [row.property_id])):
                [now] = _rows(row.organisation_id, [row.property_id], row.looked_on)
            if any(_plain(getattr(now, name)) != _plain(getattr(row, name)) for name in KEPT):
                found.append(row.property_id)
        # What changed while this compared bears a mark by now.
        since = set(RecordMark.objects.filter(property_id__in=found).values_list("property_id", flat=True))
        return [number for number in found if number not in since]


def _plain(value: Any) -> Any:
    return bytes(value) if isinstance(value, memoryview) else value
