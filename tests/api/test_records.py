"""The record through the API: read, entered, changed with the state that was read, refused by field."""

from __future__ import annotations

from typing import Any

import pytest

from fleet.estate.models import HistoryEntry
from fleet.estate.scope import unscoped
from fleet.heaters.models import Heater
from tests.api.conftest import Api
from tests.conftest import Cast, make_heater


def entered(api: Api, path: str, body: dict[str, Any]) -> dict[str, Any]:
    answer = api.post(path, body)
    assert answer.status_code == 201, answer.content
    row: dict[str, Any] = answer.json()
    again = api.get(answer["Location"])
    assert again.json() == row
    assert again["ETag"] == answer["ETag"]
    return row


def test_a_heater_from_an_empty_place_to_its_ending(api: Api, cast: Cast) -> None:
    place = entered(api, "properties", {"name": "Cedar Yard", "time_zone": "America/Denver"})
    house = entered(api, "buildings", {"property_id": place["id"], "name": "North", "units_served": 12})
    spot = entered(api, "positions", {"building_id": house["id"], "label": "Boiler room", "has_pan": True})
    heater = entered(
        api,
        "heaters",
        {
            "position_id": spot["id"],
            "tag": "CY-1",
            "kind": "gas_storage_atmospheric",
            "capacity_gal": 50,
            "installed_earliest": "2015-01-01",
            "installed_latest": "2015-12-31",
            "installed_precision": "year",
        },
    )
    assert heater["property_name"] == "Cedar Yard"
    assert heater["installed_precision"] == "year"
    entered(
        api,
        "service-records",
        {
            "heater_id": heater["id"],
            "kind": "flush",
            "done_earliest": "2024-05-02",
            "done_latest": "2024-05-02",
            "done_precision": "day",
            "cost": "120.50",
        },
    )
    test = entered(api, "water-tests", {"property_id": place["id"], "hardness_mg_l": 180.5, "ph": 7.8})
    assert test["building_id"] is None
    end = {"ending": "tank_leak", "removed_precision": "unknown", "reason": "seen by the caretaker"}
    path = f"heaters/{heater['id']}"
    answer = api.post(f"{path}/end", end, if_match=api.get(path)["ETag"])
    assert answer.status_code == 200, answer.content
    assert answer.json()["ending"] == "tank_leak"
    with unscoped("test"):
        last = HistoryEntry.objects.first()
    assert last is not None
    assert (last.reason, last.actor) == ("seen by the caretaker", "Owner")


def test_a_change_needs_the_state_that_was_read(api: Api, cast: Cast) -> None:
    path = f"heaters/{cast.heater.pk}"
    assert api.patch(path, {"notes": "a"}).status_code == 428
    tag = api.get(path)["ETag"]
    first = api.patch(path, {"notes": "mine"}, if_match=tag)
    assert first.status_code == 200
    second = api.patch(path, {"notes": "theirs"}, if_match=tag)
    assert second.status_code == 412
    assert second["Content-Type"] == "application/problem+json"
    assert api.read(path)["notes"] == "mine"
    assert api.patch(path, {"notes": "ours"}, if_match=first["ETag"]).status_code == 200
    assert api.patch(path, {"notes": "any"}, if_match="*").status_code == 200


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"capacity_gal": "fifty"}, "/capacity_gal"),
        ({"capacity_gal": 20_000}, "/capacity_gal"),
        ({"kind": "steam"}, "/kind"),
        ({"colour": "red"}, "/colour"),
        ({"tag": ""}, "/tag"),
        ({"tag": None}, "/tag"),
        ({"installed_earliest": "2015-13-01"}, "/installed_earliest"),
        ({"installed_earliest": "2017-01-01"}, "/installed_earliest"),
        ({"installed_precision": "unknown"}, "/installed_earliest"),
        ({"ending": "tank_leak"}, "/ending"),
        ({"setpoint_f": True}, "/setpoint_f"),
        ({"anode_count": 1.5}, "/anode_count"),
        ({"version": 9}, "/version"),
    ],
)
def test_what_cannot_be_is_refused_by_its_pointer_and_nothing_is_written(
    api: Api, cast: Cast, body: dict[str, Any], pointer: str
) -> None:
    path = f"heaters/{cast.heater.pk}"
    before = api.read(path)
    answer = api.change(path, body)
    assert answer.status_code == 422, answer.content
    problem = answer.json()
    assert problem["status"] == 422
    assert [error["pointer"] for error in problem["errors"]] == [pointer]
    assert api.read(path) == before


def test_a_date_in_the_future_and_a_second_heater_in_one_place_are_refused(api: Api, cast: Cast) -> None:
    body = {"position_id": cast.position.pk, "tag": "H-2", "kind": "heat_pump"}
    answer = api.post("heaters", body)
    assert answer.json()["errors"][0]["pointer"] == "/ending"
    day = {"installed_earliest": "2190-01-01", "installed_latest": "2190-01-01", "installed_precision": "day"}
    answer = api.change(f"heaters/{cast.heater.pk}", day)
    assert "future" in answer.json()["errors"][0]["detail"]


@pytest.mark.parametrize(
    "content", [b"{", b"[1]", b'{"tag": NaN}', b'{"a":1,"a":2}', b'{"tag":"\\u0000"}', b"\xff"]
)
def test_what_is_no_json_is_said_to_be_none(api: Api, content: bytes, cast: Cast) -> None:
    answer = api.client.post(
        "/api/v1/heaters", content, content_type="application/json", HTTP_AUTHORIZATION=f"Bearer {api.token}"
    )
    assert answer.status_code in (400, 422)
    assert answer["Content-Type"] == "application/problem+json"


def test_another_kind_of_content_is_refused(api: Api) -> None:
    answer = api.client.post(
        "/api/v1/heaters", "tag=1", content_type="text/csv", HTTP_AUTHORIZATION=f"Bearer {api.token}"
    )
    assert answer.status_code == 415


def test_pages_filters_and_sparse_fields(api: Api, cast: Cast) -> None:
    with unscoped("test"):
        for number in range(7):
            make_heater(cast.house, "Cedar Yard", f"C-{number}", kind="heat_pump")
    seen: list[str] = []
    where = "heaters?limit=3&fields=tag"
    while where:
        answer = api.get(where)
        page = answer.json()
        assert all(set(row) == {"id", "tag"} for row in page["items"])
        seen += [row["tag"] for row in page["items"]]
        where = page["next"]
        assert (where is None) == ("Link" not in answer)
    assert seen == ["H-1", *(f"C-{number}" for number in range(7))]
    assert len(api.read("heaters?kind=heat_pump&in_service=true")["items"]) == 7
    assert api.read("heaters?in_service=false")["items"] == []
    assert [row["tag"] for row in api.read(f"heaters?property_id={cast.property.pk}")["items"]] == ["H-1"]
    full = api.read("heaters?tag=C-3")["items"][0]
    assert full == api.read(f"heaters/{full['id']}")


@pytest.mark.parametrize(
    "query",
    [
        "limit=0",
        "limit=x",
        "limit=9999",
        "colour=red",
        "after=xyz",
        "fields=colour",
        "kind=steam",
        "tag=a&tag=b",
    ],
)
def test_a_parameter_that_cannot_be_is_named(api: Api, query: str) -> None:
    answer = api.get(f"heaters?{query}")
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["parameter"] == query.partition("=")[0]


def test_unchanged_rows_are_not_sent_again(api: Api, cast: Cast) -> None:
    for path in (f"heaters/{cast.heater.pk}", "heaters", "me"):
        first = api.get(path)
        again = api.get(path, if_none_match=first["ETag"])
        assert (again.status_code, again.content) == (304, b"")
        assert again["ETag"] == first["ETag"]
    api.change(f"heaters/{cast.heater.pk}", {"notes": "new"})
    assert api.get("heaters", if_none_match=api.get("me")["ETag"]).status_code == 200


def test_the_machine_form_is_the_same_in_every_language(api: Api, cast: Cast) -> None:
    path = f"heaters/{cast.heater.pk}"
    plain = api.get(path).content
    for language in ("de-DE,de", "ar", "fr-CA"):
        assert api.get(path, accept_language=language).content == plain
    wrong = api.get("heaters?kind=x", accept_language="de").content
    assert wrong == api.get("heaters?kind=x").content


def test_many_rows_have_a_result_each(api: Api, cast: Cast) -> None:
    rows = [
        {"building_id": cast.building.pk, "label": "one"},
        {"building_id": cast.building.pk, "label": "one"},
        {"building_id": 999_999, "label": "two"},
        {"label": 3},
        "nonsense",
    ]
    answer = api.post("positions/bulk", {"rows": rows})
    assert answer.status_code == 200, answer.content
    found = answer.json()
    assert (found["done"], found["refused"]) == (1, 4)
    assert [one["status"] for one in found["results"]] == [201, 422, 422, 422, 422]
    assert found["results"][1]["problem"]["errors"][0]["pointer"] == "/label"
    made = found["results"][0]
    assert api.get(f"positions/{made['id']}")["ETag"] == made["etag"]
    changes = [
        {"id": made["id"], "etag": made["etag"], "room": "cellar"},
        {"id": made["id"], "etag": made["etag"], "room": "attic"},
        {"id": cast.foreign_heater.position_id, "etag": made["etag"], "room": "theirs"},
        {"id": 999_999, "etag": made["etag"], "room": "nobody's"},
        {"id": made["id"], "room": "no etag"},
    ]
    results = api.patch("positions/bulk", {"rows": changes}).json()["results"]
    assert [one["status"] for one in results] == [200, 412, 404, 404, 422]
    assert results[2]["problem"] == results[3]["problem"]
    assert api.read(f"positions/{made['id']}")["room"] == "cellar"


def test_all_or_nothing_does_nothing_when_one_row_is_refused(api: Api, cast: Cast) -> None:
    rows = [{"building_id": cast.building.pk, "label": "one"}, {"building_id": cast.building.pk, "label": ""}]
    answer = api.post("positions/bulk", {"rows": rows, "all_or_nothing": True})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == "/rows/1/label"
    assert api.read("positions?label=one")["items"] == []
    with unscoped("test"):
        assert Heater.objects.count() == 2
