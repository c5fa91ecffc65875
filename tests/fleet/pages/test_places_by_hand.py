"""Places, water tests and past work entered and corrected by hand: kept with history, refused in words, within the house."""

from __future__ import annotations

import re
from datetime import date
from typing import Any

import pytest
from django.urls import reverse

from fleet.estate.models import Building, HistoryEntry, Position, Property
from fleet.heaters.models import ServiceRecord, WaterTest
from tests.conftest import Cast

PROPERTY = {
    "name": "Elm House",
    "time_zone": "America/Denver",
    "fiscal_year_start_month": "7",
    "currency": "USD",
}


def post(cast: Cast, who: str, name: str, pk: int | None, values: dict[str, Any]) -> Any:
    address = reverse(f"pages:{name}", args=[] if pk is None else [pk])
    return cast.client(getattr(cast, who)).post(address, values)


def test_from_a_new_property_to_its_first_position(in_house: Cast) -> None:
    assert post(in_house, "owner", "add_property", None, PROPERTY).status_code == 302
    house = Property.objects.get(name="Elm House")
    assert (house.organisation_id, house.fiscal_year_start_month) == (in_house.house.pk, 7)
    assert (
        post(in_house, "owner", "add_building", house.pk, {"name": "B", "year_built": "1987"}).status_code
        == 302
    )
    building = Building.objects.get(property=house)
    assert post(in_house, "technician", "add_position", building.pk, {"label": "closet 1"}).status_code == 302
    assert Position.objects.get(building=building).label == "closet 1"
    assert [entry.verb for entry in HistoryEntry.objects.order_by("id")][-3:] == ["entered"] * 3


def test_a_change_is_kept_with_its_reason(in_house: Cast) -> None:
    values = PROPERTY | {"name": "Alder Court", "emergency_contact": "0100", "reason": "new office"}
    assert post(in_house, "planner", "edit_property", in_house.property.pk, values).status_code == 302
    entry = HistoryEntry.objects.latest("id")
    assert entry.reason == "new office"
    assert entry.changes["emergency_contact"] == ["", "0100"]


def test_a_day_since_which_something_holds_cannot_lie_ahead(in_house: Cast) -> None:
    """A forecast counts from these days: one to come would leave everything out without a word."""
    building = in_house.heater.position.building
    for name, pk, values in (
        (
            "edit_property",
            in_house.property.pk,
            PROPERTY | {"name": "Alder Court", "records_since": "2931-01-01"},
        ),
        ("edit_building", building.pk, {"name": building.name, "softened_since": "2931-01-01"}),
        ("add_property", None, PROPERTY | {"records_since": "2931-01-01"}),
    ):
        answer = post(in_house, "owner", name, pk, values)
        assert answer.status_code == 400
        assert "1 Jan 2931 is in the future" in answer.content.decode()
    assert not Property.objects.filter(records_since__year=2931).exists()


def test_one_day_is_said_for_all_properties_that_do_not_say_it(in_house: Cast) -> None:
    house = in_house.house
    said = Property.objects.create(organisation=house, name="Birch Row", records_since=date(2015, 5, 1))
    unsaid = Property.objects.create(organisation=house, name="Cedar Yard")
    Property.objects.filter(pk=in_house.property.pk).update(records_since=None)
    client = in_house.client(in_house.planner)
    address = reverse("pages:say_records_since")
    assert address in client.get(reverse("pages:properties")).content.decode()
    shown = client.get(address).content.decode()
    assert "For 2 properties that do not say it yet" in shown and "Leave empty" not in shown
    for wrong, words in (("", "required"), ("2931-01-01", "in the future")):
        answer = client.post(address, {"records_since": wrong})
        assert answer.status_code == 400 and words in answer.content.decode()
    assert client.post(address, {"records_since": "2019-01-01", "reason": "office log"}).status_code == 302
    days = dict(Property.objects.filter(organisation=house).values_list("pk", "records_since"))
    assert days == {
        said.pk: date(2015, 5, 1),
        unsaid.pk: date(2019, 1, 1),
        in_house.property.pk: date(2019, 1, 1),
    }
    entries = HistoryEntry.objects.filter(verb="changed", reason="office log")
    assert [entry.changes["records_since"] for entry in entries] == [[None, "2019-01-01"]] * 2
    assert address not in client.get(reverse("pages:properties")).content.decode()
    technician = in_house.client(in_house.technician)
    assert technician.post(address, {"records_since": "2018-01-01"}).status_code == 403


def test_the_second_of_two_who_change_a_place_at_once_is_told_and_overwrites_nothing_unseen(
    in_house: Cast,
) -> None:
    place = in_house.heater.position
    for name, pk, values, field in (
        ("edit_property", in_house.property.pk, PROPERTY | {"name": "Alder Court"}, "address"),
        ("edit_position", place.pk, {"label": place.label}, "room"),
    ):
        client = in_house.client(in_house.owner)
        address = reverse(f"pages:{name}", args=[pk])

        def shown(page: str) -> str:
            found = re.search(r'name="as_shown" value="(\w+)"', page)
            assert found
            return found[1]

        first = shown(client.get(address).content.decode())
        assert client.post(address, values | {field: "first", "as_shown": first}).status_code == 302
        late = client.post(address, values | {field: "second", "as_shown": first})
        assert late.status_code == 400
        page = late.content.decode()
        assert "Somebody else saved this after you opened it" in page
        assert "second" in page, "what was typed is kept"
        again = client.post(address, values | {field: "second", "as_shown": shown(page)})
        assert again.status_code == 302


def test_what_is_changed_is_named_with_the_place_where_it_stands(in_house: Cast) -> None:
    place = in_house.heater.position
    test = WaterTest.objects.create(
        organisation=in_house.house,
        property=in_house.property,
        building=place.building,
        tested_earliest=date(2024, 1, 1),
        tested_latest=date(2024, 1, 1),
        tested_precision="day",
    )
    titles = {
        ("edit_building", place.building_id): f"Change Alder Court, building {place.building}",
        ("edit_position", place.pk): f"Change Alder Court, {place.building}, position {place}",
        ("edit_water_test", test.pk): f"Correct the water test at Alder Court, {place.building}",
    }
    for (name, pk), title in titles.items():
        page = in_house.client(in_house.planner).get(reverse(f"pages:{name}", args=[pk])).content.decode()
        assert f"<h1>{title}</h1>" in page


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"name": "Alder Court"}, "has this name"),
        ({"name": ""}, "This field is required"),
        ({"fiscal_year_start_month": "13"}, "not possible together"),
        ({"latitude": "95"}, "not possible together"),
        ({"time_zone": "Mars/Base"}, "Select a valid choice"),
    ],
)
def test_what_is_wrong_is_said_and_what_was_typed_stays(
    in_house: Cast, wrong: dict[str, str], said: str
) -> None:
    answer = post(in_house, "owner", "add_property", None, PROPERTY | {"address": "1 Invented Way"} | wrong)
    page = answer.content.decode()
    assert answer.status_code == 400
    assert said in page
    assert "1 Invented Way" in page
    assert Property.objects.count() == 1


def test_a_water_test_is_entered_and_corrected(in_house: Cast) -> None:
    values = {"tested": "May 2021", "treatment": "raw", "hardness_mg_l": "212", "ph": "7.7"}
    assert post(in_house, "technician", "add_water_test", in_house.property.pk, values).status_code == 302
    row = WaterTest.objects.get()
    assert (row.tested_earliest, row.tested_latest) == (date(2021, 5, 1), date(2021, 5, 31))
    assert (
        post(in_house, "planner", "edit_water_test", row.pk, values | {"hardness_mg_l": "121"}).status_code
        == 302
    )
    row.refresh_from_db()
    assert row.hardness_mg_l == 121
    assert HistoryEntry.objects.latest("id").changes["hardness_mg_l"] == [212.0, 121.0]


def test_past_work_is_entered_corrected_and_never_of_the_future(in_house: Cast) -> None:
    values = {"kind": "flush", "done": "2020-02-29", "done_by": "A. Invented"}
    assert post(in_house, "technician", "add_service", in_house.heater.pk, values).status_code == 302
    row = ServiceRecord.objects.get()
    assert (
        post(in_house, "planner", "edit_service", row.pk, values | {"done": "2020-03-01"}).status_code == 302
    )
    row.refresh_from_db()
    assert row.done_latest == date(2020, 3, 1)
    answer = post(in_house, "technician", "add_service", in_house.heater.pk, values | {"done": "2199-01-01"})
    assert answer.status_code == 400
    assert ServiceRecord.objects.count() == 1


def test_what_is_left_of_an_anode_is_asked_in_per_cent_and_kept_as_a_share(in_house: Cast) -> None:
    values = {"kind": "anode_inspected", "done": "2020-02-29", "anode_left_fraction": "35 %"}
    assert post(in_house, "technician", "add_service", in_house.heater.pk, values).status_code == 302
    row = ServiceRecord.objects.get()
    assert row.anode_left_fraction == 0.35
    shown = in_house.client(in_house.planner).get(reverse("pages:edit_service", args=[row.pk]))
    assert 'name="anode_left_fraction" value="35"' in shown.content.decode()


def test_an_empty_choice_says_in_words_what_it_means(in_house: Cast) -> None:
    client, heater = in_house.client(in_house.owner), in_house.heater
    for name, number, said in (
        ("add_service", heater.pk, ["choose one"]),
        ("edit_heater", heater.pk, ["in service", "not known"]),
        ("edit_position", heater.position_id, ["not known"]),
        ("add_property", None, ["not known"]),
    ):
        address = reverse(f"pages:{name}", args=[] if number is None else [number])
        page = client.get(address).content.decode()
        assert "-----" not in page
        for words in said:
            assert re.search(rf'<option value=""[^>]*>{words}</option>', page), (name, words)


def test_a_technician_changes_no_property_and_nobody_changes_another_house(in_house: Cast) -> None:
    assert post(in_house, "technician", "edit_property", in_house.property.pk, PROPERTY).status_code == 403
    foreign = in_house.foreign_heater.position.building
    assert post(in_house, "owner", "edit_property", foreign.property_id, PROPERTY).status_code == 404
    assert post(in_house, "owner", "add_position", foreign.pk, {"label": "mine"}).status_code == 404
    assert (
        post(in_house, "owner", "add_service", in_house.foreign_heater.pk, {"kind": "flush"}).status_code
        == 404
    )


def test_a_new_property_is_offered_the_clock_and_fiscal_year_of_the_last(in_house: Cast) -> None:
    post(in_house, "owner", "add_property", None, PROPERTY)
    shown = in_house.client(in_house.owner).get(reverse("pages:add_property")).content.decode()
    assert '<option value="America/Denver" selected>' in shown
    assert '<option value="7" selected>July</option>' in shown


def test_a_position_says_how_long_its_heater_has_served(in_house: Cast) -> None:
    address = reverse("pages:position", args=[in_house.position.pk])
    shown = in_house.client(in_house.technician).get(address).content.decode()
    assert "In service for" in shown
    assert "dates are not known" not in shown
