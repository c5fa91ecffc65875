"""Find anything: places, heaters and their numbers, findings, people; only what the person who asks may see.

Each group stops at a few rows and says whether there are more. Words are all to be met, in any field of the row.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from django.db.models import Q
from django.urls import reverse

from fleet.care.models import Finding, Label
from fleet.estate.models import Membership, Organisation, Property
from fleet.heaters.models import Heater
from fleet.pages import words
from fleet.pages.first_found import first_buildings, first_heaters, first_places
from fleet.pages.meeting import meeting

FEW = 8


@dataclass(frozen=True)
class Found:
    title: str
    where: str
    address: str


@dataclass(frozen=True)
class Group:
    title: str
    rows: list[Found] = field(default_factory=list)
    more: str = ""


def find(text: str, organisation: Organisation, sees_people: bool) -> list[Group]:
    """Groups with at least one row, in the order of what people look for most."""
    sought = text.split()[:6]
    if not sought:
        return []
    buildings = first_buildings(sought)
    groups = [_heaters(text.strip(), sought, buildings), _places(sought, buildings), _findings(sought)]
    if sees_people:
        groups.append(_people(sought, organisation))
    return [group for group in groups if group.rows]


def named(text: str) -> Any:
    """The heaters whose tag or serial number is just this. Labels are asked by themselves: beside a question of another
    table neither index serves, and every heater is read."""
    return Heater.objects.filter(Q(tag__iexact=text) | Q(serial_number__iexact=text))


def exactly(text: str) -> int | None:
    """The one heater whose tag, serial number or label is just this; None when there is none, or several."""
    if not text:
        return None
    numbers = set(named(text).values_list("id", flat=True)[:2])
    numbers.update(Label.objects.filter(code=text.upper()).values_list("heater_id", flat=True))
    return numbers.pop() if len(numbers) == 1 else None


def _heaters(text: str, sought: list[str], buildings: list[dict[str, Any]]) -> Group:
    numbers = first_heaters(text, sought, buildings, FEW + 1)
    place = ("position__building__property__name", "position__building__name", "position__label")
    columns = ("id", "tag", "serial_number", "ending", *place)
    rows = {row["id"]: row for row in Heater.objects.filter(pk__in=numbers).values(*columns)}
    found = [rows[number] for number in numbers if number in rows]
    shown = [
        Found(
            f"{row['tag']}, serial number {row['serial_number']}" if row["serial_number"] else row["tag"],
            ", ".join(row[name] for name in place) + (" (left service)" if row["ending"] else ""),
            reverse("pages:heater", args=[row["id"]]),
        )
        for row in found[:FEW]
    ]
    return Group("Heaters", shown, reverse("pages:heaters") if len(found) > FEW else "")


def _places(sought: list[str], buildings: list[dict[str, Any]]) -> Group:
    shown: list[Found] = []
    for row in Property.objects.filter(meeting(sought, "name", "address")).values("id", "name", "address")[
        :FEW
    ]:
        shown.append(Found(row["name"], row["address"], reverse("pages:property", args=[row["id"]])))
    for row in buildings[:FEW]:
        address = reverse("pages:building", args=[row["id"]])
        shown.append(Found(f"Building {row['name']}", row["property__name"], address))
    fields_of_place = ("label", "room", "building__name", "building__property__name")
    room = min(FEW, 2 * FEW - len(shown))
    for row in first_places(sought, buildings, room).values("id", *fields_of_place):
        where = f"{row['building__property__name']}, {row['building__name']}"
        shown.append(Found(f"Place {row['label']}", where, reverse("pages:position", args=[row["id"]])))
    return Group("Places", shown)


def _findings(sought: list[str]) -> Group:
    rows = Finding.objects.filter(meeting(sought, "words", "name")).select_related("heater")
    return Group(
        "Findings",
        [
            Found(
                f"{row.name.replace('_', ' ')}: {row.value}",
                f"{row.heater.tag}, {words.a_day(row.seen_at.date())}",
                reverse("pages:heater", args=[row.heater_id]),
            )
            for row in rows.order_by("-seen_at")[:FEW]
        ],
    )


def _people(sought: list[str], organisation: Organisation) -> Group:
    rows: Any = Membership.objects.filter(
        meeting(sought, "person__name", "person__email"), organisation=organisation
    ).select_related("person")
    return Group("People", [Found(str(row.person), row.get_role_display(), "") for row in rows[:FEW]])
