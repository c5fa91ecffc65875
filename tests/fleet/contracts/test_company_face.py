"""A company's pages are its own: the same menu at a client's, no way into a plan it has not, no empty choices."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from django.urls import reverse

from fleet.estate.models import AccessGrant, Person
from fleet.estate.scope import Level
from tests.conftest import Cast
from tests.fleet.contracts.conftest import Trade

Open = Callable[..., AccessGrant]


def text_of(cast: Cast, person: Person, name: str, *arguments: Any) -> str:
    return str(cast.client(person).get(reverse(name, args=arguments)).content.decode())


def doors(page: str) -> list[str]:
    menu = re.search(r'<nav aria-label="Main">(.*?)</nav>', page, re.DOTALL)
    assert menu
    return re.findall(r'href="([^"]+)"', menu[1])


def test_the_menu_stays_the_readers_own_at_a_clients(cast: Cast, trade: Trade, open_house: Open) -> None:
    open_house(Level.WORK)
    for reader, offers in ((trade.boss, True), (trade.fitter, False)):
        own = doors(text_of(cast, reader, "contracts:clients"))
        assert (reverse("contracts:offers") in own) == offers
        for name, number in (
            ("pages:property", cast.property.pk),
            ("pages:heater", cast.heater.pk),
            ("care:heater", cast.heater.pk),
        ):
            assert doors(text_of(cast, reader, name, number)) == own


def test_a_company_without_heaters_is_told_where_a_clients_gaps_stand(cast: Cast, trade: Trade) -> None:
    page = text_of(cast, trade.boss, "heaters_export:data_quality")
    assert "Import a list" not in page
    assert f'href="{reverse("contracts:surveys")}">the survey' in page


def test_where_nothing_can_be_ticked_nothing_is_asked(cast: Cast, trade: Trade) -> None:
    assert "Only those ticked below" in text_of(cast, cast.owner, "estate:invite")
    page = text_of(cast, trade.boss, "estate:invite")
    assert "Only those ticked below" not in page
    asked = {"email": "new@almanac.example", "role": "technician", "all_properties": "yes"}
    assert f'name="all_properties" value="{asked["all_properties"]}"' in page
    answer = cast.client(trade.boss).post(reverse("estate:invite"), asked)
    assert answer["Location"] == reverse("estate:people")


def test_each_reader_finds_her_own_chapter_first(cast: Cast, trade: Trade) -> None:
    for reader, chapter in (
        (cast.owner, "property-manager"),
        (cast.technician, "crew"),
        (trade.boss, "plumbing-company"),
        (trade.fitter, "plumbing-company"),
    ):
        chapters = re.findall(r'<section id="([^"]+)">', text_of(cast, reader, "pages:guide"))
        assert (chapters[0], len(chapters)) == (chapter, 3)


def test_the_keys_name_the_doors_of_the_readers_menu(cast: Cast, trade: Trade) -> None:
    for reader, first, plan in (
        (cast.owner, "At a glance", True),
        (cast.technician, "Today", True),
        (trade.boss, "Clients", False),
    ):
        page = text_of(cast, reader, "pages:keys")
        assert f"go to {first}<" in page
        assert ("go to Plan" in page) == plan
