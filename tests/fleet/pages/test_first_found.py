"""Whichever way the first rows are looked for, they are those that the plain definition of the search gives."""

from __future__ import annotations

import random
from itertools import product

import pytest

from fleet.care.models import Label
from fleet.estate import grants
from fleet.estate.access import scope_of
from fleet.estate.models import Building, Membership, Organisation, Person, Position, Property
from fleet.estate.scope import Level, scope_of_organisation, scoped
from fleet.heaters.models import Heater
from fleet.pages import search
from tests.conftest import Cast

pytestmark = pytest.mark.django_db
WORDS = ("elder", "ELD", "yarrow", "e", "a1", "7", "place", "wing", "QX7K2M", "zzz")
SOUGHT: list[tuple[str, ...]] = [(word,) for word in WORDS] + list(
    product(("elder", "yar", "place", "1"), ("gate", "7", "a", "wing"))
)
SOUGHT += [("elder", "gate", "1"), ("place", "7", "a")]
FEW = 8
STRETCHES = {
    "first_found": ("SAMPLE", "PROPERTIES_LOOKED_THROUGH", "BUILDINGS"),
    "meeting": ("SAMPLE", "FEW_IN_A_SAMPLE"),
}


def grow(house: Organisation, seed: int) -> None:
    """Properties of few names, tags that come in any order, and some heaters that left service."""
    chance = random.Random(seed)
    with scoped(scope_of_organisation(house)):
        for number in range(12):
            name = f"{chance.choice(['Elder', 'Yarrow', 'Fir'])}{chance.choice(['gate', 'wharf'])}{number:02}"
            own = Property.objects.create(organisation=house, name=name)
            for letter in "AB"[: chance.randint(0, 2)]:
                building = Building.objects.create(
                    organisation=house,
                    property=own,
                    name=f"{letter}{chance.choice(['', 'wing', 'elder'])}",
                )
                for place in range(chance.randint(0, 4)):
                    stand(house, building, f"{chance.choice(['place', 'niche'])}{place}", chance)
        Label.objects.create(
            organisation=house, heater=Heater.objects.order_by("-pk")[0], code=f"QX7K2{'MN'[seed]}"
        )


def stand(house: Organisation, building: Building, label: str, chance: random.Random) -> None:
    room = chance.choice(["", "cellar7", "attic"])
    place = Position.objects.create(organisation=house, building=building, label=label, room=room)
    for ending in ["removed"] * chance.randint(0, 1) + [""]:
        Heater.objects.create(
            organisation=house,
            position=place,
            tag=f"{chance.choice('EKT')}{chance.randint(100, 999)}{place.pk}X{len(ending)}",
            serial_number=chance.choice(["", f"A{chance.randint(1, 99)}B"]),
            kind="electric_storage",
            ending=ending,
            removed_precision="unknown" if ending else "",
        )


def holds(words: tuple[str, ...], texts: tuple[str, ...], code: str = "") -> bool:
    return all(any(word.upper() in text.upper() for text in texts) or word.upper() == code for word in words)


class Record:
    """All that is in sight, read once, and the search as it is defined."""

    def __init__(self) -> None:
        self.all_heaters = list(Heater.objects.select_related("position__building__property"))
        self.all_places = list(Position.objects.select_related("building__property"))
        self.codes = dict(Label.objects.values_list("heater_id", "code"))

    def heaters(self, words: tuple[str, ...]) -> list[int]:
        """What is called so, what begins so, what meets all words; in service first, by tag."""
        text, keys = " ".join(words).upper(), []
        for heater in self.all_heaters:
            place = heater.position
            own = (heater.tag, heater.serial_number, heater.model_number)
            there = (place.label, place.building.name, place.building.property.name)
            called = text in (heater.tag.upper(), heater.serial_number.upper())
            begins = heater.tag.upper().startswith(text)
            if called or begins or holds(words, (*own, *there), self.codes.get(heater.pk, "")):
                near = 0 if called else 1 if begins else 2
                keys.append((near, heater.ending != "", heater.tag.upper(), heater.pk))
        return [key[-1] for key in sorted(keys)[:FEW]]

    def places(self, words: tuple[str, ...]) -> list[int]:
        keys = []
        for place in self.all_places:
            names = (place.building.property.name, place.building.name)
            if holds(words, (place.label, place.room, *names)):
                keys.append((*names, place.label, place.pk))
        return [key[-1] for key in sorted(keys)[:FEW]]


@pytest.fixture
def people(cast: Cast) -> dict[str, Person]:
    """Who looks: a house's owner, one who sees three of its properties, and a company to which two houses opened some."""
    company = Organisation.objects.create(name="Copper Lane (invented)", kind="company", invented=True)
    boss = Person.objects.create_user("boss@almanac.example", "water-heater-9", name="Boss")
    Membership.objects.create(organisation=company, person=boss, role="owner")
    with scoped(scope_of_organisation(company)):
        code = grants.code_of(company)
    for seed, house in enumerate((cast.house, cast.other_house)):
        with scoped(scope_of_organisation(house)):
            grow(house, seed)
            some = list(Property.objects.order_by("pk").values_list("pk", flat=True)[2:9])
            grants.grant_access(house, code, some, Level.OUTLOOK)
    narrow = Membership.objects.get(person=cast.technician)
    narrow.all_properties = False
    narrow.save()
    with scoped(scope_of_organisation(cast.house)):
        narrow.properties.set(Property.objects.order_by("pk")[3:6])
    return {"owner": cast.owner, "narrow": cast.technician, "company": boss}


@pytest.mark.parametrize(("who", "stretch"), [("owner", 1), ("owner", 3), ("narrow", 1), ("company", 12)])
def test_the_first_are_those_of_the_definition(
    people: dict[str, Person], who: str, stretch: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    for room, names in STRETCHES.items():
        for name in names:
            monkeypatch.setattr(f"fleet.pages.{room}.{name}", stretch)
    seat = Membership.objects.get(person=people[who])
    with scoped(scope_of(seat)):
        record = Record()
        for words in SOUGHT:
            groups = search.find(" ".join(words), seat.organisation, sees_people=False)
            addresses = [row.address for group in groups for row in group.rows]
            assert numbers(addresses, "heaters") == record.heaters(words), words
            taken = len(numbers(addresses, "properties")) + len(numbers(addresses, "buildings"))
            assert numbers(addresses, "positions") == record.places(words)[: 2 * FEW - taken], words


def numbers(addresses: list[str], kind: str) -> list[int]:
    return [int(address.split("/")[2]) for address in addresses if address.startswith(f"/{kind}/")]
