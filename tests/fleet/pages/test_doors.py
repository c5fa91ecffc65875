"""Each page for each member of the cast; what belongs to others does not exist; no view without a declared need."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from typing import Any

import pytest
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from fleet.estate.access import Need
from fleet.estate.history import record_change
from fleet.estate.models import Membership, Property
from tests.conftest import Cast, make_heater

READ_PAGES = ["portfolio", "properties", "heaters", "history", "choose_organisation", "ages_picture"]
ROLES = ["owner", "planner", "technician", "contractor"]


def every_view(resolver: URLResolver, before: str = "") -> Iterator[tuple[str, Any]]:
    for entry in resolver.url_patterns:
        where = before + str(entry.pattern)
        if isinstance(entry, URLResolver):
            yield from every_view(entry, where)
        elif isinstance(entry, URLPattern):
            yield where, entry.callback


def test_every_view_in_the_whole_address_map_declares_what_it_needs() -> None:
    views = list(every_view(get_resolver()))
    assert len(views) > 15
    undeclared = [where for where, view in views if not isinstance(getattr(view, "need", None), Need)]
    assert undeclared == []


def without_token(answer: Any) -> bytes:
    """The sign-out form carries a token that differs each time."""
    return re.sub(rb'name="csrfmiddlewaretoken" value="\w+"', b"", answer.content)


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("name", READ_PAGES)
def test_every_role_reads_the_pages(cast: Cast, role: str, name: str) -> None:
    assert cast.client(getattr(cast, role)).get(reverse(f"pages:{name}")).status_code == 200


@pytest.mark.parametrize("role", ROLES)
def test_every_role_reads_the_rows_of_its_house(cast: Cast, role: str) -> None:
    client = cast.client(getattr(cast, role))
    rows = {
        "property": cast.property.pk,
        "building": cast.building.pk,
        "position": cast.position.pk,
        "edit_position": cast.position.pk,
        "put_in_heater": cast.position.pk,
        "heater": cast.heater.pk,
        "edit_heater": cast.heater.pk,
    }
    for name, number in rows.items():
        assert client.get(reverse(f"pages:{name}", args=[number])).status_code == 200, name


def test_the_rows_of_another_house_do_not_exist_and_say_the_same_as_no_row_at_all(cast: Cast) -> None:
    client = cast.client(cast.owner)
    foreign, place = cast.foreign_heater, cast.foreign_heater.position
    rows = {
        "property": place.building.property_id,
        "building": place.building_id,
        "position": place.pk,
        "edit_position": place.pk,
        "put_in_heater": place.pk,
        "heater": foreign.pk,
        "edit_heater": foreign.pk,
        "outlook_picture": foreign.pk,
    }
    for name, number in rows.items():
        there = client.get(reverse(f"pages:{name}", args=[number]))
        nowhere = client.get(reverse(f"pages:{name}", args=[999_999_999]))
        assert there.status_code == nowhere.status_code == 404, name
        assert without_token(there) == without_token(nowhere), name


def test_writing_to_another_house_is_a_404_and_changes_nothing(cast: Cast) -> None:
    client = cast.client(cast.owner)
    foreign = cast.foreign_heater
    assert client.post(reverse("pages:edit_heater", args=[foreign.pk]), {"tag": "mine"}).status_code == 404
    assert client.post(reverse("pages:attach", args=[foreign.pk])).status_code == 404
    client.force_login(cast.outsider)
    assert b"B-1" in client.get(reverse("pages:heater", args=[foreign.pk])).content


def test_lists_show_only_the_own_house(cast: Cast) -> None:
    page = cast.client(cast.owner).get(reverse("pages:heaters")).content
    assert b"H-1" in page
    assert b"B-1" not in page
    assert b"Birch" not in cast.client(cast.owner).get(reverse("pages:properties")).content


@pytest.mark.parametrize("name", READ_PAGES)
def test_a_stranger_is_sent_to_sign_in(db: None, name: str) -> None:
    answer = Client().get(reverse(f"pages:{name}"))
    assert answer.status_code == 302
    assert answer["Location"].startswith(reverse("pages:sign_in"))


def test_a_viewer_reads_but_finds_no_form(cast: Cast) -> None:
    cast.planner.memberships.update(role="viewer")
    client = cast.client(cast.planner)
    page = client.get(reverse("pages:heater", args=[cast.heater.pk])).content.decode()
    assert "Change this record" not in page
    assert "Add the file" not in page
    assert client.get(reverse("pages:edit_heater", args=[cast.heater.pk])).status_code == 403
    assert client.post(reverse("pages:attach", args=[cast.heater.pk])).status_code == 403


def test_a_person_without_any_house_is_told_so(cast: Cast) -> None:
    cast.planner.memberships.all().delete()
    answer = cast.client(cast.planner).get(reverse("pages:portfolio"))
    assert answer.status_code == 403


def test_health_answers_a_stranger_and_tells_nothing_more(db: None) -> None:
    answer = Client().get("/health")
    assert answer.status_code == 200
    assert set(answer.json()) == {"status", "version"}


def test_signing_in_and_out(cast: Cast) -> None:
    client = Client()
    asked = {"username": "owner@almanac.example", "password": "water-heater-9"}
    assert client.post(reverse("pages:sign_in"), asked)["Location"] == "/"
    assert client.get("/").status_code == 200
    assert client.get(reverse("pages:sign_out")).status_code == 405
    client.post(reverse("pages:sign_out"))
    assert client.get("/").status_code == 302


def test_choosing_an_organisation_one_does_not_belong_to_is_a_404(cast: Cast) -> None:
    client = cast.client(cast.owner)
    address = reverse("pages:choose_organisation")
    assert client.post(address, {"organisation": cast.other_house.pk}).status_code == 404
    assert client.post(address, {"organisation": cast.house.pk}).status_code == 302


def test_who_belongs_to_one_organisation_is_offered_no_other(cast: Cast) -> None:
    client, address = cast.client(cast.owner), reverse("pages:choose_organisation")
    assert f'href="{address}"' not in client.get("/").content.decode()
    Membership.objects.create(organisation=cast.other_house, person=cast.owner, role="viewer")
    assert f'href="{address}"' in client.get("/").content.decode()
    client.post(address, {"organisation": cast.other_house.pk})
    assert cast.other_house.name in client.get("/").content.decode()


def test_the_heater_list_is_filtered_ordered_and_cut_into_leaves(in_house: Cast) -> None:
    for number in range(60):
        make_heater(in_house.house, "Cedar Yard", f"C-{number:02}", kind="heat_pump")
    make_heater(
        in_house.house, tag="OLD", installed_earliest=date(1999, 1, 1), installed_latest=date(1999, 1, 1)
    )
    client = in_house.client(in_house.owner)

    def tags(**asked: str) -> list[str]:
        page = client.get(reverse("pages:heaters"), asked).content.decode()
        return re.findall(r'<th scope="row">\s*<a [^>]*>([^<]+)</a>', page)

    first = tags()
    assert len(first) == 50
    assert tags(page="2") == [f"C-{number}" for number in range(50, 60)] + ["H-1", "OLD"]
    assert tags(order="installed")[0] == "OLD"
    assert tags(words="cedar c-07") == ["C-07"]
    assert tags(property=str(in_house.property.pk)) == ["H-1", "OLD"]
    assert tags(kind="gas_storage_atmospheric") == ["H-1", "OLD"]
    assert tags(service="ended") == []
    assert tags(kind="nonsense", order="nonsense", property="nonsense", page="nonsense") == first


def test_a_change_of_a_field_with_any_name_is_shown(in_house: Cast) -> None:
    record_change(in_house.property, "counted", {"items": (0, 12), "keys": (None, "two")})
    page = in_house.client(in_house.owner).get(reverse("pages:history")).content.decode()
    assert "items: 0 → 12" in page
    assert "keys: two" in page


def test_properties_are_sought_by_name_and_cut_into_leaves(in_house: Cast) -> None:
    for number in range(120):
        Property.objects.create(organisation=in_house.house, name=f"House {number:03}")
    client = in_house.client(in_house.owner)

    def names(**asked: str) -> list[str]:
        page = client.get(reverse("pages:properties"), asked).content.decode()
        return re.findall(r'<th scope="row"><a [^>]*>([^<]+)</a>', page)

    assert len(names()) == 100
    assert names(page="2")[-1] == "House 119"
    assert names(words="alder") == ["Alder Court"]
    assert names(words="birch") == []
