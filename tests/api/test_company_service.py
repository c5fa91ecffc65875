"""A company's service token reaches its clients as the company's people do: by grant, anew at each request, no further."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.core.cache import cache
from django.utils import timezone

from fleet.care.services import roll_forward
from fleet.estate import grants
from fleet.estate.models import AccessGrant, HistoryEntry, Organisation
from fleet.estate.scope import Level, scope_of_organisation, scoped, unscoped
from tests.api.conftest import EVERYTHING, Api, token_for
from tests.api.estates import every_operation, fill
from tests.api.test_matrix import address, ask, body_of
from tests.conftest import Cast, make_heater
from tests.fleet.contracts.conftest import Trade, open_house  # noqa: F401 (a fixture)

Open = Callable[..., AccessGrant]
# What is one person's own: a service has no wishes, inbox, calendar or files made for it, and its own name.
HERS = ("me", "inbox", "reminder-preferences", "calendar", "exports", "exports/<number:pk>/file")


def service(trade: Trade, **wanted: Any) -> Api:
    return Api(token_for(trade.boss, kind="service", name="van", needs=EVERYTHING, **wanted))


def tags(api: Api) -> list[str]:
    return [row["tag"] for row in api.read("heaters")["items"]]


def test_it_sees_what_is_granted_while_it_is_granted(
    cast: Cast,
    trade: Trade,
    open_house: Open,  # noqa: F811
) -> None:
    with unscoped("a second property that stays closed"):
        make_heater(cast.house, "Cedar Place", "C-1")
    van = service(trade)
    heater = f"heaters/{cast.heater.pk}"
    nothing = van.get("heaters/999999999")
    assert tags(van) == []
    assert (van.get(heater).status_code, van.get(heater).content) == (404, nothing.content)
    grant = open_house(Level.SURVEY)
    assert tags(van) == ["H-1"]
    assert van.get(heater).status_code == 200
    with scoped(scope_of_organisation(cast.house, actor="Owner")):
        grants.revoke_access(grant)
    assert tags(van) == []
    assert (van.get(heater).status_code, van.get(heater).content) == (404, nothing.content)


def test_it_works_where_work_is_granted_and_under_the_companys_name(
    cast: Cast,
    trade: Trade,
    open_house: Open,  # noqa: F811
) -> None:
    with scoped(scope_of_organisation(cast.house)):
        roll_forward(cast.house, timezone.now().date())
    open_house(Level.SURVEY)
    van = service(trade)
    with unscoped("a task of the client's"):
        from fleet.care.models import Task

        task = Task.objects.filter(heater=cast.heater).order_by("id")[0].pk
    skipped = {"reason": "tenant away"}
    assert van.read("tasks")["items"] == []
    assert van.post(f"tasks/{task}/skip", skipped).status_code == 404
    assert van.change(f"heaters/{cast.heater.pk}", {"notes": "no"}).status_code == 404
    open_house(Level.WORK)
    assert van.post(f"tasks/{task}/skip", skipped).status_code == 200
    with scoped(scope_of_organisation(cast.house)):
        entry = HistoryEntry.objects.filter(subject_kind="task", subject_id=task).latest("id")
    assert (entry.actor, entry.person_id) == ("service van, Copper Lane Plumbing (invented)", None)


def test_a_long_name_is_cut_so_that_the_company_is_still_named(
    cast: Cast,
    trade: Trade,
    open_house: Open,  # noqa: F811
) -> None:
    Organisation.objects.filter(pk=trade.company.pk).update(name="Copper Lane " + "and Sons " * 20)
    open_house(Level.WORK)
    van = Api(token_for(trade.boss, kind="service", name="v" * 100, needs=EVERYTHING))
    assert van.change(f"heaters/{cast.heater.pk}", {"notes": "seen"}).status_code == 200
    with scoped(scope_of_organisation(cast.house)):
        actor = HistoryEntry.objects.filter(subject_kind="heater").latest("id").actor
    assert len(actor) <= 200
    assert actor.startswith("service v") and ", Copper Lane" in actor


def test_a_token_for_some_properties_reaches_those_alone(cast: Cast, trade: Trade, open_house: Open) -> None:  # noqa: F811
    with unscoped("two properties"):
        other = make_heater(cast.house, "Cedar Place", "C-1").position.building.property
    open_house(Level.WORK, properties=[cast.property.pk, other.pk])
    assert tags(service(trade)) == ["H-1", "C-1"]
    assert tags(service(trade, property_ids=[other.pk])) == ["C-1"]


def test_it_does_not_rule_or_plan_at_a_clients(cast: Cast, trade: Trade, open_house: Open) -> None:  # noqa: F811
    open_house(Level.OUTLOOK)
    van = service(trade)
    assert van.get(f"properties/{cast.property.pk}").status_code == 200
    assert van.change(f"properties/{cast.property.pk}", {"name": "Ours now"}).status_code == 404
    with unscoped("as it was"):
        cast.property.refresh_from_db()
    assert cast.property.name == "Alder Court"


def test_an_owners_service_reaches_no_other_house(cast: Cast, trade: Trade, open_house: Open) -> None:  # noqa: F811
    """A grant opens a house to a company; a house that is none gains nothing from a row that says so."""
    with unscoped("forging"):
        grant = AccessGrant.objects.create(
            organisation=cast.house,
            company=cast.other_house,
            level=2,
            granted_at=timezone.now(),
            granted_by="x",
        )
        grant.properties.add(cast.property)
    theirs = Api(token_for(cast.outsider, kind="service", name="pump", needs=EVERYTHING))
    assert tags(theirs) == ["B-1"]


@pytest.mark.parametrize("level", [None, *Level])
def test_it_is_answered_as_the_companys_owner_is(
    level: Level | None,
    cast: Cast,
    trade: Trade,
    open_house: Open,  # noqa: F811
) -> None:
    """Every address that is read, with a client's row, another's and none: one scope for both."""
    numbers = {}
    for whose, heater in (("client", cast.heater), ("foreign", cast.foreign_heater)):
        with scoped(scope_of_organisation(heater.organisation_id, actor="test")):
            numbers[whose] = fill(heater)
    # Where nothing is granted a client's row is one more foreign row.
    places = ("client", "foreign", "missing") if level is not None else ("client", "missing")
    if level is not None:
        open_house(level)
    boss, van = Api(token_for(trade.boss)), service(trade)
    seen = 0
    for path, method, _ in every_operation():
        place = path.removeprefix("/api/v1/")
        if place in HERS or place.partition("/")[0] in set(HERS) - {"exports"}:
            continue
        told = {}
        # An address that names no row is the same whoever's row is thought of.
        for whose in places if "<number:pk>" in path else places[:1]:
            where = address(path, numbers.get(whose))
            first, second = (told_by(who, method, path, where, numbers["client"]) for who in (boss, van))
            assert first == second, f"{method} {where}, a {whose} row: {first[0]} and {second[0]}"
            told[whose] = second
        if "<number:pk>" in path:
            hidden = told[places[-2]]
            assert hidden == told["missing"], f"{method} {path}"
            assert hidden[0] in (403, 404, 409, 422), f"{method} {path}"
            seen += told["client"][0] == 200
    assert (seen > 5) == (level is not None)


def told_by(api: Api, method: str, path: str, where: str, numbers: dict[str, int]) -> tuple[int, bytes]:
    """Status and content; of changes and printed files, which bear moments and numbers, the status alone."""
    if method != "GET":
        return ask(api, method, path, where, numbers).status_code, b""
    cache.clear()
    answer = api.get(where)
    body = body_of(answer)
    return answer.status_code, body if "json" in answer["Content-Type"] else b""
