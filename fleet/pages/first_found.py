"""The first few of the heaters and places that words find, in their order.

A word that thousands share has its first rows near the beginning: a stretch of it is looked through before all that
meet the word are gathered and put in order. Both ways find the same.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from django.db.models import Case, IntegerField, Q, Value, When
from django.db.models.functions import Upper

from fleet.estate.models import Building, Position, Property
from fleet.estate.scope import current_scope, scoped
from fleet.heaters.models import Heater
from fleet.pages.meeting import (
    NAMES,
    SAMPLE,
    each,
    each_place,
    heaters_meeting,
    places_by_marks,
    places_meeting,
    rare_of_places,
)

BY_TAG = (Upper("tag"), "pk")
MOST_REACHES = 4  # houses whose heaters are looked through one after the other
PROPERTIES_LOOKED_THROUGH = 50
BUILDINGS = 50  # tried before all that are called so


def first_heaters(text: str, sought: list[str], buildings: list[dict[str, Any]], count: int) -> list[int]:
    """What is called so, what begins so, the others; of each those in service first, by tag whatever its case.

    A whole tag or number stands in few others: these are gathered at once.
    """
    called = Q(tag__iexact=text) | Q(serial_number__iexact=text)
    numbers = _in_order(Heater.objects.filter(called), count)
    finds = [lambda most: _beginning(text, most), lambda most: _gathered(sought, buildings, most)]
    if not numbers:
        finds.insert(1, lambda most: _looked_through(sought, most))
    for find in finds:
        if len(numbers) < count:
            numbers += [one for one in find(count + len(numbers)) if one not in numbers]
    return numbers[:count]


def _in_order(heaters: Any, count: int) -> list[int]:
    """Those in service before all others: by themselves they stand in the order of an index."""
    numbers: list[int] = []
    for some in (heaters.filter(ending=""), heaters.exclude(ending="")):
        if len(numbers) < count:
            numbers += some.order_by(*BY_TAG).values_list("pk", flat=True)[: count - len(numbers)]
    return numbers


def _beginning(text: str, count: int) -> list[int]:
    """From the first that begins so onwards, and nobody passes over those before it."""

    def begin() -> list[int]:
        onwards = Heater.objects.alias(called=Upper("tag")).filter(called__gte=Upper(Value(text)))
        return _in_order(onwards.filter(tag__istartswith=text), count)

    return _in_order(Heater.objects.filter(pk__in=_by_reach(begin)), count)


def _looked_through(sought: list[str], count: int) -> list[int]:
    """Those among the first of each house by tag, if they are enough; else none."""
    enough = len(current_scope().reaches) <= MOST_REACHES

    def look() -> list[int]:
        nonlocal enough
        serving = Heater.objects.filter(ending="").order_by(*BY_TAG).values("pk")
        stretch = Heater.objects.filter(pk__in=serving[:SAMPLE]).filter(each(sought))
        found = list(stretch.order_by(*BY_TAG).values_list("pk", flat=True)[:count])
        enough = enough and (len(found) == count or not serving[SAMPLE : SAMPLE + 1])
        return found

    found = _by_reach(look) if enough else []
    return _in_order(Heater.objects.filter(pk__in=found), count) if enough and len(found) >= count else []


def _gathered(sought: list[str], buildings: list[dict[str, Any]], count: int) -> list[int]:
    """All that meet the words, put in order; the buildings so called are at hand where they are few."""
    named = [row["id"] for row in buildings] if len(buildings) < BUILDINGS else None
    serving_first = Case(When(ending="", then=0), default=1, output_field=IntegerField())
    everywhere = Heater.objects.filter(heaters_meeting(sought, named)).order_by(serving_first, *BY_TAG)
    return list(everywhere.values_list("pk", flat=True)[:count])


def _by_reach(find: Callable[[], list[int]]) -> list[int]:
    """What is found in each house by itself: an index by house and tag is no order of several houses together."""
    scope = current_scope()
    if not 1 < len(scope.reaches) <= MOST_REACHES:
        return find()
    numbers: list[int] = []
    for reach in scope.reaches:
        with scoped(replace(scope, reaches=(reach,))):
            numbers += find()
    return numbers


def first_buildings(sought: list[str]) -> list[dict[str, Any]]:
    """In whose names or their properties' all words stand: enough of them to look for places in.

    The name of a property is read once and not once a building.
    """
    found = Building.objects.all()
    for word in sought:
        properties = Property.objects.filter(name__icontains=word).order_by().values("pk")
        found = found.filter(Q(name__icontains=word) | Q(property__in=properties))
    return list(found.values("id", *NAMES)[:BUILDINGS])


def first_places(sought: list[str], buildings: list[dict[str, Any]], count: int) -> Any:
    """By property, building and label; looked for in the first properties, and where that is not enough, everywhere."""
    early = Property.objects.order_by("name", "pk").values_list("pk", flat=True)[:PROPERTIES_LOOKED_THROUGH]
    stretch = Position.objects.filter(building__property__among=list(early))
    found = _numbers(stretch.filter(each_place(sought)), count) if count else []
    if len(found) < count:
        found = _places_everywhere(sought, buildings, stretch, count)
    return Position.objects.filter(pk__in=found)[:count]


def _places_everywhere(
    sought: list[str], buildings: list[dict[str, Any]], stretch: Any, count: int
) -> list[int]:
    """The first by the names of buildings and the first by marks of their own hold the first of both."""
    rare = rare_of_places(sought, stretch)
    others = [word for word in sought if word not in rare]
    if others:
        buildings = first_buildings(rare)
    named = Position.objects.filter(building__among=[row["id"] for row in buildings])
    found = _numbers(named.filter(each_place(others)), count)
    if len(found) < count and len(buildings) == BUILDINGS:
        return _numbers(Position.objects.filter(places_meeting(sought, stretch)), count)
    for marked in places_by_marks(sought, rare):
        found += _numbers(marked, count)
    return found


def _numbers(places: Any, count: int) -> list[int]:
    return list(places.values_list("pk", flat=True)[:count])
