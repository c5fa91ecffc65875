"""Exports of a large record: made in the background within what the asker may see, given to nobody else, gone in time."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import time_machine
from django.test import Client

from fleet.estate import background
from fleet.estate.models import Membership, Person
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters import made_exports
from tests.conftest import Cast, make_heater

# Closing an answer lets go of the database's connection, as a server does.
pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def large(cast: Cast, settings: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Cast:
    """A record that counts as large: three heaters, at two properties."""
    settings.DATA = tmp_path
    monkeypatch.setattr(made_exports, "LARGE_HEATERS", 2)
    with scoped(scope_of_organisation(cast.house)):
        make_heater(cast.house, "Alder Court", "H-2")
        make_heater(cast.house, "Fir Yard", "F-1")
    return cast


def ask(cast: Cast, person: Person, file_format: str = "json") -> Client:
    client = cast.client(person)
    answer = client.post("/export/made/", {"format": file_format})
    assert (answer.status_code, answer["Location"]) == (302, "/export/")
    return client


def link(client: Client) -> str:
    """Where the newest file made for this person lies."""
    made = client.get("/export/").context["made"]
    assert made[0]["ready"]
    return f"/export/made/{made[0]['job'].pk}/"


def content(client: Client, address: str) -> bytes:
    answer = client.get(address)
    assert answer.status_code == 200
    read = b"".join(answer.streaming_content)
    answer.close()
    return read


@pytest.mark.parametrize(("limit", "at_once"), [(2, False), (3, True)])
def test_a_small_record_is_given_at_once_and_a_large_one_is_made(
    large: Cast, monkeypatch: pytest.MonkeyPatch, limit: int, at_once: bool
) -> None:
    monkeypatch.setattr(made_exports, "LARGE_HEATERS", limit)
    page = large.client(large.owner).get("/export/").content
    assert (b"/export/record.xlsx" in page, b"/export/made/" in page) == (at_once, not at_once)


@pytest.mark.parametrize("file_format", ["json", "csv", "xlsx"])
def test_the_file_is_the_one_that_a_page_would_have_given(large: Cast, file_format: str) -> None:
    client = ask(large, large.owner, file_format)
    assert not client.get("/export/").context["made"][0]["ready"]
    background.work_off()
    made = content(client, link(client))
    if file_format == "json":
        assert made == content(client, "/export/record.json")
    assert made.startswith(b"PK" if file_format != "json" else b"{")


def test_who_sees_some_properties_gets_those(large: Cast) -> None:
    membership = Membership.objects.get(person=large.technician)
    membership.all_properties = False
    membership.save()
    membership.properties.add(large.property)
    client = ask(large, large.technician)
    background.work_off()
    tags = [row["tag"] for row in json.loads(content(client, link(client)))["tables"]["heaters"]]
    assert tags == ["H-1", "H-2"]


def test_nobody_else_gets_it(large: Cast) -> None:
    owner = ask(large, large.owner)
    background.work_off()
    address = link(owner)
    for person in (large.planner, large.technician, large.outsider):
        assert large.client(person).get(address).status_code == 404
        assert large.client(person).get("/export/").context["made"] == []


def test_asked_for_twice_it_is_made_once(large: Cast) -> None:
    client = ask(large, large.owner)
    ask(large, large.owner)
    assert len(client.get("/export/").context["made"]) == 1


@pytest.mark.parametrize("file_format", ["", "exe", "../json"])
def test_a_format_that_is_none_is_refused(large: Cast, file_format: str) -> None:
    assert large.client(large.owner).post("/export/made/", {"format": file_format}).status_code == 404


def test_files_go_after_a_week(large: Cast, settings: Any, tmp_path: Path) -> None:
    settings.MEDIA_ROOT = tmp_path / "files"
    client = ask(large, large.owner)
    background.work_off()
    address = link(client)
    for days, status in ((6, 200), (8, 404)):
        with time_machine.travel(datetime.now(UTC) + timedelta(days=days)):
            with scoped(scope_of_organisation(large.house)):
                background.enqueue("photo clean-up", {}, large.house.pk)
            background.work_off()
            answer = large.client(large.owner).get(address)
            answer.close()
            assert answer.status_code == status
    assert [path for path in (tmp_path / "exports").rglob("*") if path.is_file()] == []
