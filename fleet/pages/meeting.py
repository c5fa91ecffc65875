"""Which heaters and places meet every word that somebody looks for, each word in any of their fields.

Written so that indexes serve: one question across joined tables reads every row for one word.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from django.db.models import Count, Q

from fleet.care.models import Label
from fleet.estate.models import Building, Position
from fleet.heaters.models import Heater

OWN = ("tag", "serial_number", "model_number")
OWN_OF_PLACE = ("label", "room")
NAMES = ("name", "property__name")  # of a building
SAMPLE = 2000
FEW_IN_A_SAMPLE = 40


def meeting(words_sought: Iterable[str], *fields: str) -> Q:
    """Every word stands in at least one of the fields."""
    asked = Q()
    for word in words_sought:
        anywhere = Q()
        for name in fields:
            anywhere |= Q(**{f"{name}__icontains": word})
        asked &= anywhere
    return asked


def heaters_meeting(words_sought: Sequence[str], named: list[int] | None = None) -> Q:
    """Every word is the heater's label, or stands in one of its own marks or in the name of where it stands.

    Beside a rare word the others are looked for in its rows alone. `named` are the buildings in whose names all words
    stand, where they are known already.
    """
    if not words_sought:
        return Q()
    sample = Heater.objects.filter(pk__in=Heater.objects.order_by("pk").values("pk")[:SAMPLE])
    rare = _rare(words_sought, sample, *OWN, "position__label")
    others = [word for word in words_sought if word not in rare]
    called = Q(building__in=_named(rare)) if named is None or others else Q(building__among=named)
    standing = Q(position__in=Position.objects.filter(called).order_by().values("pk"))
    found = [Heater.objects.filter(standing).filter(each(others))]
    for word in rare:
        rest = each([one for one in words_sought if one != word])
        labelled = Position.objects.filter(label__icontains=word).order_by().values("pk")
        coded = Label.objects.filter(code=word.upper()).values("heater_id")
        for marked in (meeting([word], *OWN), Q(position__in=labelled), Q(pk__in=coded)):
            found.append(Heater.objects.filter(marked).filter(rest))
    return Q(pk__in=_any_of(found))


def each(words_sought: Iterable[str]) -> Q:
    """The same asked of each heater in turn: for a few of them."""
    place = ("position__label", *(f"position__building__{name}" for name in NAMES))
    asked = Q()
    for word in words_sought:
        coded = Label.objects.filter(code=word.upper()).values("heater_id")
        asked &= meeting([word], *OWN, *place) | Q(pk__in=coded)
    return asked


def places_meeting(words_sought: Sequence[str], sample: Any = None) -> Q:
    """Every word stands in the label or room of the place, or in the name of its building or property."""
    rare = rare_of_places(words_sought, sample)
    others = each_place(word for word in words_sought if word not in rare)
    named = Position.objects.filter(building__in=_named(rare)).filter(others)
    return Q(pk__in=_any_of([named, *places_by_marks(words_sought, rare)]))


def rare_of_places(words_sought: Sequence[str], sample: Any = None) -> list[str]:
    if sample is None:
        sample = Position.objects.filter(pk__in=Position.objects.order_by("pk").values("pk")[:SAMPLE])
    return _rare(words_sought, sample, *OWN_OF_PLACE)


def places_by_marks(words_sought: Sequence[str], rare: Iterable[str]) -> list[Any]:
    """Those that meet all words, one of the rare ones by a mark of their own."""
    return [
        Position.objects.filter(meeting([word], *OWN_OF_PLACE)).filter(
            each_place(one for one in words_sought if one != word)
        )
        for word in rare
    ]


def each_place(words_sought: Iterable[str]) -> Q:
    """The same asked of each place in turn."""
    return meeting(words_sought, *OWN_OF_PLACE, *(f"building__{name}" for name in NAMES))


def _named(words_sought: Iterable[str]) -> Any:
    return Building.objects.filter(meeting(words_sought, *NAMES)).order_by().values("pk")


def _rare(words_sought: Sequence[str], sample: Any, *own: str) -> list[str]:
    """The words that stand in few rows' own fields, by a sample of them; if in many all do, the rarest."""
    if len(words_sought) == 1:
        return list(words_sought)
    counts = {
        str(number): Count("pk", filter=meeting([word], *own)) for number, word in enumerate(words_sought)
    }
    found = sample.order_by().aggregate(**counts)
    times = [(found[str(number)], word) for number, word in enumerate(words_sought)]
    return [word for count, word in times if count <= FEW_IN_A_SAMPLE] or [min(times)[1]]


def _any_of(queries: list[Any]) -> Any:
    first, *others = [query.order_by().values("pk") for query in queries]
    return first.union(*others, all=True)
