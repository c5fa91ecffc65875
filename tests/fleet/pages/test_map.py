"""The map: plain distances, a ring round each property, its title states the finding; what has no place is named."""

from __future__ import annotations

import math
import re
from datetime import date

import pytest
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as some

from fleet.care.models import Task
from fleet.estate.models import Building, Property
from fleet.pages import map_names, place_map
from tests.conftest import Cast, make_heater

TODAY = date(2026, 1, 1)


def place(cast: Cast, name: str, latitude: float | None, longitude: float | None) -> Property:
    row = Property.objects.create(organisation=cast.house, name=name, latitude=latitude, longitude=longitude)
    Building.objects.create(organisation=cast.house, property=row, name="1")
    return row


def test_distances_are_true_in_both_directions(in_house: Cast) -> None:
    # At 60 degrees north a degree of longitude is half as long as one of latitude.
    place(in_house, "middle", 60.0, 10.0)
    place(in_house, "north", 60.001, 10.0)
    place(in_house, "east", 60.0, 10.002)
    found = {spot.property: spot for spot in place_map.of_portfolio(None, TODAY).spots}
    up = found["north"].y - found["middle"].y
    right = found["east"].x - found["middle"].x
    assert up > 0
    assert right == pytest.approx(up, rel=1e-3)
    assert found["north"].x == pytest.approx(found["middle"].x)


def test_a_portfolio_across_the_date_line_stays_together(in_house: Cast) -> None:
    place(in_house, "west of it", 0.0, 179.999)
    place(in_house, "east of it", 0.0, -179.999)
    found = {spot.property: spot for spot in place_map.of_portfolio(None, TODAY).spots}
    assert found["west of it"].x < found["east of it"].x
    assert 0 <= found["west of it"].x <= found["east of it"].x <= 100


@given(some.integers(min_value=2, max_value=60))
def test_no_building_hides_another(count: int) -> None:
    spots = [place_map._beside(number) for number in range(count)]
    nearest = min(math.dist(a, b) for i, a in enumerate(spots) for b in spots[:i])
    assert nearest >= place_map.STEP * 0.9


PLACES = some.lists(
    some.tuples(
        some.text("abc ", min_size=1, max_size=24), some.floats(10, 90), some.floats(6, 54), some.floats(0, 9)
    ),
    min_size=1,
    max_size=30,
)


@pytest.mark.parametrize(("narrow", "across", "letters", "tall"), [(False, 1000, 7, 15), (True, 300, 6, 14)])
@given(names=PLACES)
def test_no_name_lies_on_another_or_on_a_mark_or_leaves_the_picture(
    narrow: bool, across: int, letters: int, tall: int, names: list[tuple[str, float, float, float]]
) -> None:
    """In pixels: a letter of the font drawn there is at most so broad on average, a line so tall."""
    marks = map_names.marks_of([(x, y, size) for _, x, y, size in names], narrow)
    written = map_names.apart(
        [(name, [mark]) for (name, *_), mark in zip(names, marks, strict=True)], marks, narrow
    )
    measure = across / 100
    drawn = [(one["x"] * measure, one["y"] * measure, len(one["label"]) * letters / 2) for one in written]
    assert drawn
    for number, (x, y, half) in enumerate(drawn):
        assert half <= x <= across - half
        assert all(
            abs(y - above) >= tall or abs(x - beside) >= half + other
            for beside, above, other in drawn[:number]
        )
        # The first one is written whatever lies there; a mark's area, in square pixels, is that of a square round it.
        assert number == 0 or all(
            abs(y - mark.y * measure) >= tall / 2 + mark.radius * measure - 1e-6
            or abs(x - mark.x * measure) >= half + mark.radius * measure - 1e-6
            for mark in marks
        )


def test_the_property_with_most_at_risk_is_named_first() -> None:
    def spot(number: int, x: float, failures: float) -> place_map.Spot:
        return place_map.Spot(number, "A", number, f"Place {number}", x, 30, 5, 0, 0, failures)

    crowd = place_map.Map(tuple(spot(number, 50 + number / 9, number) for number in range(1, 9)), ())
    assert crowd.labels(narrow=True)[0]["label"] == "Place 8"
    assert crowd.labels()[0]["label"] == "Place 8"


def test_a_name_gives_way_to_the_marks_of_another_place() -> None:
    """Two properties one above the other: the lower one's name would lie on the upper one's marks."""
    lower, upper = (
        place_map.Spot(n, "A", n, f"Place {n}", 50, y, 5, 0, 0, 1.0) for n, y in ((1, 30), (2, 34))
    )
    alone, beside = place_map.Map((lower,), ()).labels()[0], place_map.Map((lower, upper), ()).labels()[0]
    assert (alone["label"], alone["x"]) == ("Place 1", 50)
    assert alone["y"] > 30 > beside["y"], "above where there is room, else below"


def test_what_has_no_place_is_named_and_the_own_house_only_is_shown(in_house: Cast) -> None:
    place(in_house, "Placed House", 40.0, 0.0)
    page = in_house.client(in_house.owner).get(reverse("pages:map")).content.decode()
    assert "Placed House" in page
    assert "is not known: Alder Court" in page
    assert "Birch" not in page


def test_without_any_place_the_page_says_how_to_give_them(cast: Cast) -> None:
    client = cast.client(cast.owner)
    assert "Latitude and Longitude" in client.get(reverse("pages:map")).content.decode()
    assert client.get(reverse("pages:map_picture")).status_code == 404


def test_the_title_states_where_most_failures_are_expected() -> None:
    def spot(place: str, failures: float | None, overdue: int) -> place_map.Spot:
        return place_map.Spot(1, "A", 1, place, 0, 0, 5, overdue, 0, failures)

    both = (spot("Elm", 0.6, 0), spot("Ash", 1.0, 2), spot("Elm", 0.7, 0))
    assert place_map.Map(both, ()).finding.endswith("at Elm: 1.3")
    assert [one.expected_failures for one in place_map.Map(both, ()).by_property] == [pytest.approx(2.3)]
    unknown = (spot("Elm", None, 3), spot("Ash", None, 0))
    assert place_map.Map(unknown, ()).finding == "3 tasks overdue in 1 building"


def test_a_large_portfolio_has_one_mark_a_property_and_lists_those_most_at_risk(
    in_house: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number, name in enumerate(("Quiet House", "Busy House")):
        heater = make_heater(in_house.house, name, f"B-{number}")
        place = heater.position.building.property
        Building.objects.create(organisation=in_house.house, property=place, name="2")
        Property.objects.filter(pk=place.pk).update(latitude=40.0 + number, longitude=0.0)
    Task.objects.create(
        organisation=in_house.house, heater=heater, kind="flush", due_on=date(2020, 1, 1), rule="x", reason="a test"
    )  # fmt: skip
    apart = place_map.of_portfolio(None, TODAY)
    monkeypatch.setattr(place_map, "MOST_MARKS", 3)
    together = place_map.of_portfolio(None, TODAY)
    assert [spot.property for spot in together.spots] == ["Busy House", "Quiet House"]
    assert [(spot.heaters, spot.overdue) for spot in together.spots] == [(1, 1), (1, 0)]
    assert (len(apart.spots), together.finding) == (4, apart.finding)
    monkeypatch.setattr(place_map, "MOST_LISTED", 1)
    monkeypatch.setattr(place_map, "MOST_NAMED", 0)
    page = in_house.client(in_house.owner).get(reverse("pages:map")).content.decode()
    table = page[page.index("<tbody>") : page.index("</tbody>")]
    assert "Busy House" in table and "Quiet House" not in table
    assert "and 1 more" in page


def test_its_letters_can_be_read_on_paper(in_house: Cast) -> None:
    """On a sheet of A4 the picture is 180 mm broad; a point is 25.4 / 72 mm."""
    Property.objects.update(latitude=40.0, longitude=-105.0)
    picture = in_house.client(in_house.planner).get("/pictures/map.svg").content.decode()
    broad = float(re.search(r'<svg [^>]*?width="([\d.]+)"', picture)[1])  # type: ignore[index]
    letters = [float(size) for size in re.findall(r'font-size="([\d.]+)px"', picture)]
    assert {"overdue work", "nothing overdue"} <= set(re.findall(r">([^<>]+)</text>", picture))
    assert min(letters) * 180 / broad * 72 / 25.4 >= 7
