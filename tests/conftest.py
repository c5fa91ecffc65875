"""One shared cast: an owner, a planner, a technician, a contractor and an outsider of another organisation."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

import pytest
from django.db import connection
from django.test import Client

from fleet.estate.models import Building, Membership, Organisation, Person, Position, Property
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.heaters.models import Heater
from tests.migrated import migrated, once_a_run  # noqa: F401 (fixtures)

if connection.vendor == "sqlite":
    from tests.migrated import django_db_setup  # noqa: F401 (a fixture)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--asks-database",
        action="store_true",
        help="only tests that open the database: the others say the same whichever it is",
    )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    # What needs no database comes first: one worker begins with it while the other makes the empty record.
    items.sort(key=_asks_database)
    if config.getoption("--asks-database"):
        left_out = [item for item in items if not _asks_database(item)]
        items[:] = [item for item in items if _asks_database(item)]
        config.hook.pytest_deselected(items=left_out)


def pytest_collection_finish() -> None:
    """What is alive by now stays, and Python's search for circles walked through it at every few hundred objects."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


def _asks_database(item: pytest.Item) -> bool:
    """Whether pytest-django lets it, or it starts something that does (`services`)."""
    given = {"db", "transactional_db", "django_db_setup", "live_server"}
    asks = given.intersection(getattr(item, "fixturenames", ()))
    return bool(asks) or any(item.get_closest_marker(name) for name in ("django_db", "services"))


@dataclass
class Cast:
    house: Organisation
    other_house: Organisation
    owner: Person
    planner: Person
    technician: Person
    contractor: Person
    outsider: Person
    property: Property
    building: Building
    position: Position
    heater: Heater
    foreign_heater: Heater

    def client(self, person: Person) -> Client:
        client = Client()
        client.force_login(person)
        return client


def make_heater(
    organisation: Organisation, name: str = "Alder Court", tag: str = "H-1", **fields: Any
) -> Heater:
    """A heater with its property, building and position, in the current scope."""
    property_, _ = Property.objects.get_or_create(
        organisation=organisation,
        name=name,
        defaults={"time_zone": "America/Denver", "records_since": date(2014, 1, 1)},
    )
    building, _ = Building.objects.get_or_create(organisation=organisation, property=property_, name="A")
    position = Position.objects.create(organisation=organisation, building=building, label=f"place of {tag}")
    values = {
        "kind": "gas_storage_atmospheric",
        "capacity_gal": 50,
        "installed_earliest": date(2016, 5, 3),
        "installed_latest": date(2016, 5, 3),
        "installed_precision": "day",
    }
    return Heater.objects.create(organisation=organisation, position=position, tag=tag, **(values | fields))


@pytest.fixture
def cast(db: None) -> Cast:
    def person(name: str) -> Person:
        return Person.objects.create_user(f"{name}@almanac.example", "water-heater-9", name=name.title())

    house = Organisation.objects.create(name="Alder Homes (invented)", invented=True)
    other = Organisation.objects.create(name="Birch Homes (invented)", invented=True)
    people = {name: person(name) for name in ("owner", "planner", "technician", "contractor", "outsider")}
    roles = {"owner": "owner", "planner": "planner", "technician": "technician", "contractor": "company"}
    for name, role in roles.items():
        Membership.objects.create(organisation=house, person=people[name], role=role)
    Membership.objects.create(organisation=other, person=people["outsider"], role="owner")
    with unscoped("making the cast"):
        heater = make_heater(house)
        foreign = make_heater(other, "Birch Row", "B-1")
    building = heater.position.building
    return Cast(
        house,
        other,
        **people,
        property=building.property,
        building=building,
        position=heater.position,
        heater=heater,
        foreign_heater=foreign,
    )


@pytest.fixture
def in_house(cast: Cast) -> Iterator[Cast]:
    """Inside the scope of the cast's own organisation."""
    with scoped(scope_of_organisation(cast.house, actor="test")):
        yield cast
