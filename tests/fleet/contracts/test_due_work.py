"""The company's due work over all clients: drawn where it lies, and found by the name of a property or a client."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from types import SimpleNamespace
from typing import Any

import pytest
from django.urls import reverse

from fleet.care.roll import roll_forward
from fleet.contracts import clients
from fleet.contracts.clients import DuePlace, due_map
from fleet.estate.models import AccessGrant, Property
from fleet.estate.scope import Level, scope_of_organisation, scoped
from tests.conftest import Cast, make_heater
from tests.fleet.contracts.conftest import Trade

Open = Callable[..., AccessGrant]
YEAR = {"days": 365}


def due(number: int, where: tuple[float, float] | None, tasks: int, late: int) -> DuePlace:
    latitude, longitude = where or (None, None)
    place: Any = SimpleNamespace(pk=number, name=f"Place {number}", latitude=latitude, longitude=longitude)
    return DuePlace(place, "A client", tasks, late, 1.0, date(2026, 3, 2))


def test_marks_lie_as_the_properties_do_and_say_what_is_late() -> None:
    north, south, east = (
        due(1, (40.0, -105.0), 9, 2),
        due(2, (39.0, -105.0), 4, 0),
        due(3, (39.5, -104.0), 1, 0),
    )
    found = due_map([north, south, east, due(4, None, 3, 1)])
    first, second, third = found.spots
    assert first["y"] > third["y"] > second["y"]
    assert first["x"] == second["x"] < third["x"]
    assert [spot["size"] for spot in found.spots] == [9, 4, 1]
    assert [spot["when"] for spot in found.spots] == ["overdue work", "nothing overdue", "nothing overdue"]
    assert found.unplaced == ["Place 4"]
    assert found.finding == "17 tasks due at 4 properties; 3 late, at 2"
    assert found.labels[0]["label"] == "Place 1"


def test_names_that_would_lie_on_one_another_are_left_to_the_table() -> None:
    beside = [due(number, (40.0 + number / 1000, -105.0), number, 0) for number in range(1, 9)]
    far = due(99, (44.0, -100.0), 1, 0)
    labels = [label["label"] for label in due_map([*beside, far]).labels]
    assert labels[0] == "Place 8", "the busiest first"
    assert "Place 99" in labels
    assert len(labels) < 5, "round a heap there is room for few"


@pytest.fixture
def two_clients(cast: Cast, trade: Trade, open_house: Open) -> Trade:
    """Two houses whose properties have one name; the one opens work, the other too."""
    with scoped(scope_of_organisation(cast.other_house)):
        same = make_heater(cast.other_house, "Alder Court", "B-2").position.building.property
    open_house()
    open_house(
        house=cast.other_house, properties=[same.pk, cast.foreign_heater.position.building.property_id]
    )
    for house in (cast.house, cast.other_house):
        with scoped(scope_of_organisation(house)):
            Property.objects.update(latitude=39.7, longitude=-105.0)
            roll_forward(house)
    return trade


def test_the_queue_is_searched_by_property_and_by_client(cast: Cast, two_clients: Trade) -> None:
    client, address = cast.client(two_clients.fitter), reverse("care:queue")

    def tags(**asked: Any) -> set[str]:
        page = client.get(address, YEAR | asked).content.decode()
        return {tag for tag in ("H-1", "B-1", "B-2") if f">{tag}<" in page}

    assert tags() == {"H-1", "B-1", "B-2"}
    assert tags(words="birch row") == {"B-1"}
    assert tags(words="birch homes") == {"B-1", "B-2"}
    assert tags(words="alder court birch") == {"B-2"}
    assert tags(words="nowhere") == set()
    # One of two properties of the same name is that one, not both.
    assert tags(property=cast.property.pk) == {"H-1"}


def test_of_very_many_properties_those_that_wait_longest_are_listed(
    cast: Cast, two_clients: Trade, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(clients, "MOST_LISTED", 1)
    client = cast.client(two_clients.fitter)
    page = client.get(reverse("contracts:places"), YEAR).content.decode()
    assert page.count("?property=") == 1
    assert "2 more stand in" in page
    page = client.get(reverse("contracts:clients")).content.decode()
    assert page.count("?property=") == 2  # one of each client
    assert "1 more stand among" in page


def test_the_map_is_the_companys_alone_and_shows_only_where_it_works(
    cast: Cast, trade: Trade, two_clients: Trade, open_house: Open
) -> None:
    picture = reverse("contracts:places_picture")
    drawn = cast.client(trade.fitter).get(picture, YEAR)
    assert drawn["Content-Type"] == "image/svg+xml"
    words = drawn.content.decode()
    assert "tasks due at 3 properties" in words
    assert cast.client(cast.owner).get(picture).status_code == 404
    with scoped(scope_of_organisation(cast.other_house)):
        AccessGrant.objects.update(level=Level.SURVEY, until=date(2099, 1, 1))
    page = cast.client(trade.fitter).get(reverse("contracts:places"), YEAR).content.decode()
    assert "at 1 property;" in page
    assert "Birch" not in page
