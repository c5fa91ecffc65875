"""The menu is written once and shown often: each reader sees her own, with the place where she is."""

from __future__ import annotations

import re
from typing import Any

from django.urls import reverse

from tests.conftest import Cast


def menu_of(client: Any, name: str) -> str:
    page = client.get(reverse(name)).content.decode()
    return str(re.search(r'<nav aria-label="Main">(.*?)</nav>', page, re.DOTALL)[1])  # type: ignore[index]


def current(menu: str) -> list[str]:
    """Where the menu says she is; what the phone has no room for stands behind "More" as well."""
    return sorted(set(re.findall(r'<a href="([^"]+)" aria-current="page">', menu)))


def test_each_page_marks_itself_however_often_they_are_asked_for_in_turn(cast: Cast) -> None:
    client = cast.client(cast.owner)
    names = ("pages:heaters", "pages:properties", "pages:portfolio", "pages:guide", "pages:history")
    for name in names * 2:
        assert current(menu_of(client, name)) == [reverse(name)]
    assert current(menu_of(client, "care:visits")) == [reverse("care:queue")]


def test_each_reader_has_the_doors_that_are_open_to_her(cast: Cast) -> None:
    for _ in range(2):
        owners, crews = (menu_of(cast.client(one), "pages:heaters") for one in (cast.owner, cast.technician))
        assert reverse("estate:people") in owners
        assert reverse("estate:people") not in crews
        assert reverse("care:queue") in crews
        assert reverse("contracts:clients") not in owners + crews
    cast.house.kind = "company"
    cast.house.save()
    assert reverse("contracts:clients") in menu_of(cast.client(cast.owner), "pages:heaters")


def test_a_crews_first_page_is_called_what_it_is(cast: Cast) -> None:
    assert ">Today</a>" in menu_of(cast.client(cast.technician), "pages:heaters")
    for reader in (cast.owner, cast.planner):
        assert ">At a glance</a>" in menu_of(cast.client(reader), "pages:heaters")


def test_a_company_is_not_led_to_what_only_a_house_gives_and_gets(cast: Cast) -> None:
    doors = [f'"{reverse(name)}"' for name in ("contracts:access", "contracts:received")]
    assert all(door in menu_of(cast.client(cast.owner), "pages:heaters") for door in doors)
    cast.house.kind = "company"
    cast.house.save()
    assert not any(door in menu_of(cast.client(cast.owner), "pages:heaters") for door in doors)
