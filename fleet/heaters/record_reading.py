"""What is on record and what is missing, from kept sums: the same as counted now, within the scope of who asks."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from django.db.models import Q, QuerySet, Sum

from fleet.estate.kept_sums import not_believed
from fleet.estate.models import Property
from fleet.estate.scope import Reach, Scope, scoped
from fleet.heaters.gap_words import NAMES
from fleet.heaters.models import Heater
from fleet.heaters.record_sum_rows import RecordMark, RecordSum
from fleet.heaters.record_sums import (
    KEPT,
    Plain,
    age_type,
    ages_of,
    counted_by,
    looked_at,
    plain_counts,
)

if TYPE_CHECKING:
    import numpy as np

MOST_AFRESH = 1000  # properties whose heaters are read; beyond it all are
MOST_LOOKED_AT = 40  # properties whose record is searched for what it lacks while somebody waits


def _marked(most: int) -> list[int] | None:
    return not_believed(KEPT, ~Q(counted_by=counted_by()), most)


def ages_known(property_id: int | None = None) -> np.ndarray[Any, Any]:
    """Kind and first day of every heater in service (see `age_type`), of one property or of all in sight."""
    import numpy as np

    serving = Heater.objects.filter(ending="")
    place = "position__building__property_id"
    if property_id is not None:
        return _together(ages_of(serving.filter(**{place: property_id})).values())
    marked = _marked(MOST_AFRESH)
    if marked is None:
        return _together(ages_of(serving).values())
    kept = RecordSum.objects.exclude(property__in=marked).exclude(heaters=0)
    joined = b"".join(map(bytes, kept.values_list("ages", flat=True)))
    afresh = ages_of(serving.filter(**{f"{place}__in": marked})).values() if marked else ()
    return _together([np.frombuffer(joined, dtype=age_type()), *afresh])


def _together(parts: Any) -> np.ndarray[Any, Any]:
    import numpy as np

    return np.concatenate([np.empty(0, dtype=age_type()), *parts])


def heaters_by_property() -> dict[int, int]:
    """Heaters in service of each property in sight that has any."""
    marked = _marked(MOST_AFRESH)
    heaters = Heater.objects.filter(ending="")
    if marked is not None:
        heaters = heaters.filter(position__building__property_id__in=marked)
    found = {number: one.heaters for number, one in plain_counts(heaters).items()} if marked != [] else {}
    if marked is not None:
        kept = RecordSum.objects.exclude(property__in=marked).exclude(heaters=0)
        found |= dict(kept.values_list("property_id", "heaters"))
    return found


def how_many_serve() -> int | None:
    """Heaters in service in sight; None where so many properties have changed that counting them all is as quick."""
    marked = _marked(MOST_AFRESH)
    if marked is None:
        return None
    kept = RecordSum.objects.exclude(property__in=marked).aggregate(heaters=Sum("heaters"))["heaters"] or 0
    changed = Heater.objects.filter(ending="", position__building__property_id__in=marked)
    return int(kept) + (changed.count() if marked else 0)


@dataclass
class Look:
    """What the record lacks, property by property: rows of `lacking` belong to `properties`, columns are NAMES."""

    properties: list[int]
    standing: int
    lacking: np.ndarray[Any, Any]
    undated: int
    uncaused: int
    unnumbered: int
    as_of: date
    changed_since: int = 0

    def of(self, name: str) -> tuple[int, int, int, list[tuple[int, int]]]:
        """Heaters, buildings, squares, and the three properties with most heaters that lack an answer."""
        import numpy as np

        of_it = self.lacking[:, NAMES.index(name)]
        heaters, buildings, squares = (int(number) for number in of_it.sum(axis=0))
        first = np.lexsort((np.array(self.properties), -of_it[:, 0]))[:3]
        most = [(self.properties[at], int(of_it[at, 0])) for at in first if of_it[at, 0]]
        return heaters, buildings, squares, most


def look(as_of: date) -> Look:
    """Counted now, whatever is kept."""
    return _joined(as_of, *_counted(as_of), [])


def look_at_once(as_of: date) -> Look:
    """From kept sums; few properties that changed since, or were last looked at on another day, are counted now.

    Where they are many the kept sums stand as they are, and the look says of which day and how many have changed.
    """
    marked = _marked(MOST_LOOKED_AT)
    kept = RecordSum.objects.filter(counted_by=counted_by())
    if marked is not None:
        old = set(kept.exclude(looked_on=as_of).values_list("property_id", flat=True)[: MOST_LOOKED_AT + 1])
        uncertain = sorted(old | set(marked))
        if len(uncertain) <= MOST_LOOKED_AT:
            with scoped(_of_properties(uncertain)):
                plain, looked = _counted(as_of) if uncertain else ({}, {})
            return _joined(as_of, plain, looked, _light(kept.exclude(property__in=uncertain)))
    rows = _light(kept)
    if not rows:
        return look(as_of)
    found = _joined(min(row.looked_on for row in rows), {}, {}, rows)
    found.changed_since = RecordMark.objects.order_by().values("property_id").distinct().count()
    return found


def _light(kept: QuerySet[RecordSum]) -> list[Any]:
    """Twenty thousand rows at once are quicker as plain tuples, and without the ages."""
    names = ("property_id", "looked_on", "standing", "lacking", "undated", "uncaused", "unnumbered")
    return list(kept.values_list(*names, named=True))


def _of_properties(numbers: Collection[int]) -> Scope:
    by_house: dict[int, set[int]] = defaultdict(set)
    for number, organisation_id in Property.objects.filter(pk__in=numbers).values_list(
        "pk", "organisation_id"
    ):
        by_house[organisation_id].add(number)
    return Scope(tuple(Reach(house, frozenset(places)) for house, places in by_house.items()))


def _counted(as_of: date) -> tuple[dict[int, Plain], dict[int, Any]]:
    plain = plain_counts(Heater.objects.all())
    return plain, looked_at(as_of) if plain else {}


def _joined(as_of: date, plain: dict[int, Plain], looked: dict[int, Any], kept: list[Any]) -> Look:
    import numpy as np

    shape = (-1, len(NAMES), 3)
    joined = np.frombuffer(b"".join(bytes(row.lacking) for row in kept), dtype="<i8").reshape(shape)
    afresh = [lacking for _, lacking in looked.values()]
    counts = [*kept, *plain.values()]
    return Look(
        properties=[*(row.property_id for row in kept), *looked],
        standing=sum(row.standing for row in kept) + sum(standing for standing, _ in looked.values()),
        lacking=np.concatenate([joined, np.array(afresh, dtype="<i8").reshape(shape)]),
        undated=sum(row.undated for row in counts),
        uncaused=sum(row.uncaused for row in counts),
        unnumbered=sum(row.unnumbered for row in counts),
        as_of=as_of,
    )
