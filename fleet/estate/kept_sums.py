"""Sums that are kept by place: counted in the background, step by step, and believed only while they must be true.

A kept sum is believed while its place bears no mark (`marks.py`) and it was counted as of the day that is asked for. A room
says what it keeps and how it is counted (`KeptSums`); taking marks away, counting anew, naming the places that are not
believed and looking whether the others are true is the same for all.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import connection, models, transaction
from django.db.models import Q

from fleet.estate import marks
from fleet.estate.calendar import day_of
from fleet.estate.marks import Watched
from fleet.estate.models import Organisation
from fleet.estate.scope import ScopedModel, unscoped

MARKS_AT_ONCE = 20_000


@dataclass(frozen=True)
class KeptSums:
    """One row a place, with the place as its key, `counted_by` (what it was counted with) and a day."""

    name: str
    sums: type[ScopedModel]
    marks: type[ScopedModel]
    place: str  # their field that leads to the place
    day: str  # the field of the day as of which a sum holds
    watched: tuple[Watched, ...]
    at_once: int  # places that one step counts
    counted_by: Callable[[], str]
    # The sums of some places of a house as of a day; a place with nothing to count may be left out.
    counted: Callable[[Organisation, list[int], date], Iterable[models.Model]]

    @property
    def number(self) -> str:
        return f"{self.place}_id"

    @property
    def fields(self) -> list[str]:
        """All but the place."""
        return [one.name for one in self.sums._meta.concrete_fields if one.name != self.place]

    def watch(self, using: str = "default", **_: Any) -> None:
        """Put the triggers in place; called after every migration."""
        marks.install(self.watched, using)

    def of(self, numbers: Collection[int]) -> Q:
        return Q(**{f"{self.number}__in": numbers})

    def outdated(self, day: date) -> Q:
        """Those that do not hold on a day."""
        return ~Q(**{self.day: day}) | ~Q(counted_by=self.counted_by())


def recount(kept: KeptSums) -> bool:
    """One step over all organisations: marked places first, then those of an earlier day. True while more remain."""
    with unscoped("sums are kept for every organisation"):
        return _marked(kept) or any([_outdated(kept, one) for one in Organisation.objects.order_by("id")])


@transaction.atomic
def forget(kept: KeptSums) -> None:
    """Believe no kept sum: every place is counted anew."""
    _alone(kept)
    marks.forget(kept.watched, connection)


def not_believed(kept: KeptSums, old: Q, most: int) -> list[int] | None:
    """Places in sight that bear a mark or whose sum is `old`; None where they are too many to name."""
    marked = kept.marks.objects.order_by().values_list(kept.number, flat=True).distinct()
    outdated = kept.sums.objects.filter(old).order_by().values_list(kept.number, flat=True)
    numbers = {*marked[: most + 1], *outdated[: most + 1]}
    return None if len(numbers) > most else sorted(numbers)


def wrong(kept: KeptSums, most: int) -> list[int]:
    """Places whose kept sums are believed and are not what is counted now; of some, chosen at random."""
    with transaction.atomic(), unscoped("the operator compares kept sums with what they were counted from"):
        _alone(kept)
        believed = kept.sums.objects.filter(counted_by=kept.counted_by())
        believed = believed.exclude(kept.of(kept.marks.objects.values(kept.number)))  # type: ignore[arg-type]
        found = _untrue(kept, list(believed.select_related("organisation").order_by("?")[:most]))
        # What changed while this compared bears a mark by now.
        since = set(kept.marks.objects.filter(kept.of(found)).values_list(kept.number, flat=True))
        return [number for number in found if number not in since]


def _untrue(kept: KeptSums, rows: list[Any]) -> list[int]:
    together: dict[tuple[Organisation, date], list[Any]] = defaultdict(list)
    for row in rows:
        together[row.organisation, getattr(row, kept.day)].append(row)
    found = []
    for (house, day), some in together.items():
        now = {one.pk: one for one in kept.counted(house, [row.pk for row in some], day)}
        found += [row.pk for row in some if row.pk not in now or not _alike(kept, row, now[row.pk])]
    return found


def _alike(kept: KeptSums, one: Any, other: Any) -> bool:
    return all(_plain(getattr(one, name)) == _plain(getattr(other, name)) for name in kept.fields)


def _plain(value: Any) -> Any:
    return bytes(value) if isinstance(value, memoryview) else value


@transaction.atomic
def _marked(kept: KeptSums) -> bool:
    _alone(kept)
    found = kept.marks.objects.order_by("id").values_list(kept.number, flat=True)[:MARKS_AT_ONCE]
    chosen = list(dict.fromkeys(found))[: kept.at_once]
    # Marks go first: whatever set one that is taken away here is seen by the count that follows.
    kept.marks.objects.filter(kept.of(chosen)).delete()
    _count_anew(kept, chosen)
    return bool(chosen)


@transaction.atomic
def _outdated(kept: KeptSums, organisation: Organisation) -> bool:
    _alone(kept)
    rows = kept.sums.objects.filter(kept.outdated(day_of(organisation)), organisation=organisation)
    chosen = list(rows.order_by(kept.number).values_list(kept.number, flat=True)[: kept.at_once])
    _count_anew(kept, chosen)
    return bool(chosen)


def _alone(kept: KeptSums) -> None:
    """One at a time: two who count the same place could each write what the other has already overtaken.

    Marks are taken away and places counted after this, so the count sees at least what the marks spoke of.
    """
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(hashtext(%s))", [kept.name])


def _count_anew(kept: KeptSums, numbers: Collection[int]) -> None:
    places: Any = kept.sums._meta.get_field(kept.place).related_model
    houses: dict[int, list[int]] = defaultdict(list)
    for number, organisation_id in places.objects.filter(pk__in=numbers).values_list("pk", "organisation_id"):
        houses[organisation_id].append(number)
    rows: list[Any] = []
    for organisation in Organisation.objects.filter(pk__in=houses):
        rows += kept.counted(organisation, houses[organisation.pk], day_of(organisation))
    kept.sums.objects.filter(kept.of(set(numbers) - {row.pk for row in rows})).delete()
    kept.sums.objects.bulk_create(
        rows, update_conflicts=True, unique_fields=[kept.place], update_fields=kept.fields, batch_size=50
    )
