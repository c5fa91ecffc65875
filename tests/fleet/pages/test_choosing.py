"""Where properties are many they are not listed but written; a page that cannot tell which is meant says so."""

from __future__ import annotations

import html
from typing import Any

import pytest
from django.urls import reverse

from fleet.contracts.models import Survey
from fleet.estate import choosing, grants
from fleet.estate.models import AccessGrant, AccessToken, Organisation, Person, Property
from fleet.estate.models import Membership as Seat
from fleet.estate.scope import Level, scope_of_organisation, scoped, unscoped
from fleet.planning.models import SuccessorRule
from fleet.reminders.models import EscalationRule
from tests.conftest import Cast, make_heater

PUMP = {"from_kind": "electric_storage", "to_kind": "heat_pump", "starts_on": "2027-01-01"}


@pytest.fixture
def many(cast: Cast, monkeypatch: pytest.MonkeyPatch) -> Cast:
    """Three properties in the house, and each of them too many for a list."""
    monkeypatch.setattr(choosing, "MOST_LISTED", 1)
    monkeypatch.setattr(choosing, "FEW", 1)
    with scoped(scope_of_organisation(cast.house)):
        make_heater(cast.house, "Cedar Place", "C-1")
        make_heater(cast.house, "Cedar Yard", "C-2")
        Property.objects.filter(name="Cedar Yard").update(address="9 Kiln Road (invented)")
    return cast


def said(answer: Any) -> str:
    return html.unescape(answer.content.decode())


def own(cast: Cast, name: str) -> Property:
    with scoped(scope_of_organisation(cast.house)):
        found: Property = Property.objects.get(name=name)
    return found


PAGES = ("contracts:access", "estate:tokens", "estate:invite", "planning:successors", "reminders:escalation",
         "reminders:wishes", "care:done", "care:queue", "pages:heaters")  # fmt: skip


@pytest.mark.parametrize("name", PAGES)
def test_few_are_listed_and_many_are_not(cast: Cast, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    client, address = cast.client(cast.owner), reverse(name)
    listed, fields = ">Alder Court</option>", {"contracts:access", "estate:tokens", "estate:invite"}
    if name in fields:
        listed = "> Alder Court</label>"
    elif name == "reminders:wishes":
        listed = ">Alder Court</a>"
    assert listed in " ".join(said(client.get(address)).split()).replace(">\n", ">")
    monkeypatch.setattr(choosing, "MOST_LISTED", 0)
    monkeypatch.setattr(choosing, "FEW", 0)
    assert listed not in " ".join(said(client.get(address)).split())


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("Cedar Place", ["Cedar Place"]),
        ("cedar place\r\n\r\n  Alder   Court ", ["Alder Court", "Cedar Place"]),
        ("kiln", ["Cedar Yard"]),
    ],
)
def test_access_is_given_where_it_is_written(many: Cast, written: str, meant: list[str]) -> None:
    code = company_code()
    posted = {"code": code, "level": int(Level.WORK), "properties": written}
    assert many.client(many.owner).post(reverse("contracts:access"), posted).status_code == 302
    with unscoped("looking"):
        assert sorted(row.name for row in AccessGrant.objects.get().properties.all()) == meant


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ("Birch Row", "No property here is called 'Birch Row'"),
        ("cedar", "'cedar' leads to several properties: Cedar Place; Cedar Yard, 9 Kiln Road (invented)."),
        ("", "Choose at least one of your properties."),
    ],
)
def test_what_cannot_be_told_apart_gives_no_access_and_comes_back(
    many: Cast, written: str, words: str
) -> None:
    posted = {"code": company_code(), "level": int(Level.WORK), "properties": written}
    answer = many.client(many.owner).post(reverse("contracts:access"), posted)
    assert answer.status_code == 422
    assert words in said(answer)
    assert f"{written}</textarea>" in said(answer)
    with unscoped("looking"):
        assert not AccessGrant.objects.exists()


def test_a_misspelt_property_never_makes_a_token_for_all(many: Cast) -> None:
    client, address = many.client(many.owner), reverse("estate:tokens")
    posted = {"name": "boiler room", "kind": "service", "needs": ["read", "work"], "days": "90"}
    answer = client.post(address, posted | {"properties": "Cedar Plaice"})
    assert answer.status_code == 422
    with unscoped("looking"):
        assert not AccessToken.objects.exists()
    page = said(answer)
    for kept in (
        'value="boiler room"',
        'value="service" checked',
        '<option value="90" selected',
        "Plaice</textarea>",
    ):
        assert kept in page
    assert client.post(address, posted | {"properties": "Cedar Place"}).status_code == 200
    with unscoped("looking"):
        token = AccessToken.objects.get()
        assert not token.all_properties
        assert [row.name for row in token.properties.all()] == ["Cedar Place"]


def test_a_rule_is_for_the_property_that_is_written(many: Cast) -> None:
    client, address = many.client(many.planner), reverse("planning:successors")
    wrong = client.post(address, PUMP | {"property": "cedar"})
    assert wrong.status_code == 422
    assert "leads to several properties" in said(wrong)
    assert 'value="cedar"' in said(wrong)
    assert client.post(address, PUMP | {"property": "cedar yard"}).status_code == 302
    with unscoped("looking"):
        assert SuccessorRule.objects.get().property == own(many, "Cedar Yard")


def test_who_is_told_next_is_for_the_property_that_is_written(many: Cast) -> None:
    client, address = many.client(many.owner), reverse("reminders:escalation")
    posted = {"kind": "", "after_minutes": "30", "person": many.planner.pk}
    assert "No property here is called" in said(client.post(address, posted | {"place": "Nowhere"}))
    assert client.post(address, posted | {"place": "Cedar Place"}).status_code == 302
    with unscoped("looking"):
        assert EscalationRule.objects.get().property == own(many, "Cedar Place")


@pytest.mark.parametrize("name", ["care:done", "care:queue"])
def test_lists_of_work_are_narrowed_by_words(many: Cast, name: str) -> None:
    from fleet.care import services
    from fleet.care.models import Task

    with scoped(scope_of_organisation(many.house)):
        services.roll_forward(many.house)
        if name == "care:done":
            for task in Task.objects.filter(state="open"):
                services.skip_task(task, "no way in")
    page = said(many.client(many.planner).get(reverse(name), {"words": "kiln"}))
    assert "Cedar Yard" in page and "Cedar Place" not in page
    assert 'value="kiln"' in page


def test_own_wishes_find_a_property_by_its_words(many: Cast) -> None:
    page = said(many.client(many.planner).get(reverse("reminders:wishes"), {"words": "kiln"}))
    assert reverse("reminders:property_wish", args=[own(many, "Cedar Yard").pk]) in page
    assert "Cedar Place" not in page


def test_a_survey_of_many_is_of_all_where_none_is_written(many: Cast) -> None:
    code = company_code()
    with unscoped("looking"):
        company = Organisation.objects.get(kind="company")
        boss = Seat.objects.get(organisation=company).person
        everything = [row.pk for row in Property.objects.filter(organisation=many.house)]
    with scoped(scope_of_organisation(many.house, actor="Owner")):
        grants.grant_access(many.house, code, everything, Level.WORK)
    client, address = many.client(boss), reverse("contracts:surveys")
    posted = {"client": many.house.pk, "years": "2"}
    wrong = client.post(address, posted | {"properties": "Birch Row", "note": "seen on Monday"})
    assert wrong.status_code == 422
    assert "Birch Row</textarea>" in said(wrong) and 'value="seen on Monday"' in said(wrong)
    assert client.post(address, posted | {"properties": ""}).status_code == 302
    with scoped(scope_of_organisation(company)):
        assert Survey.objects.get().lines.count() == 3


def company_code() -> str:
    company = Organisation.objects.create(name="Copper Lane Plumbing (invented)", kind="company")
    boss = Person.objects.create_user("boss@almanac.example", "water-heater-9", name="Boss")
    Seat.objects.create(organisation=company, person=boss, role="owner")
    with scoped(scope_of_organisation(company)):
        return grants.code_of(company)
