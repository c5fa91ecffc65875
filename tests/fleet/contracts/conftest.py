"""A plumbing company beside the cast: its owner and a fitter, and an owner who can open her house to it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from fleet.contracts.models import Contract
from fleet.estate import grants
from fleet.estate.models import AccessGrant, Membership, Organisation, Person
from fleet.estate.scope import Level, scope_of_organisation, scoped
from tests.conftest import Cast
from tests.fleet.contracts.made_up import accepted, standing_house


@dataclass
class Trade:
    company: Organisation
    boss: Person
    fitter: Person
    code: str


@pytest.fixture
def trade(cast: Cast) -> Trade:
    company = Organisation.objects.create(
        name="Copper Lane Plumbing (invented)", kind="company", invented=True
    )
    people = []
    for name, role in (("boss", "owner"), ("fitter", "technician")):
        person = Person.objects.create_user(f"{name}@almanac.example", "water-heater-9", name=name.title())
        Membership.objects.create(organisation=company, person=person, role=role)
        people.append(person)
    with scoped(scope_of_organisation(company)):
        code = grants.code_of(company)
    return Trade(company, *people, code)


@pytest.fixture
def open_house(cast: Cast, trade: Trade) -> Callable[..., AccessGrant]:
    """The owner opens the cast's property, or others, to the company."""

    def give(
        level: Level = Level.WORK, house: Any = None, properties: Any = None, days: int = 30
    ) -> AccessGrant:
        owner = house or cast.house
        until = timezone.now().date() + timedelta(days=days) if level == Level.SURVEY else None
        with scoped(scope_of_organisation(owner, actor="Owner")):
            return grants.grant_access(owner, trade.code, properties or [cast.property.pk], level, until)

    return give


@pytest.fixture
def contract(cast: Cast, trade: Trade, open_house: Callable[..., AccessGrant]) -> Contract:
    standing_house(cast)
    open_house(Level.WORK)
    return accepted(cast, trade)
