"""Import, forecast, plan and prices through the API; its money is the pages' and the files' money, to the cent."""

from __future__ import annotations

import csv
import io
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from fleet.estate import background
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.planning.models import CostBook
from tests.api.conftest import Api, token_for
from tests.conftest import Cast
from tests.fleet.planning.estates import grow_estate

SHEET = (
    "Property,Building,Location,Tag,Type,Gallons,Installed\n"
    "Cedar Yard,North,Boiler room,CY-1,gas,50,2015\n"
    "Cedar Yard,North,Attic,CY-2,electric,40,May 2018\n"
    "Cedar Yard,North,Shed,CY-3,gas,banana,2012\n"
)


def send(api: Api, content: str, name: str = "list.csv", **more: str) -> Any:
    file = SimpleUploadedFile(name, content.encode(), content_type="text/csv")
    return api.client.post(
        "/api/v1/imports", {"file": file, **more}, HTTP_AUTHORIZATION=f"Bearer {api.token}"
    )


def test_a_file_is_previewed_taken_in_and_its_refused_rows_come_back(api: Api, cast: Cast) -> None:
    answer = send(api, SHEET)
    assert answer.status_code == 202, answer.content
    where, batch = answer["Location"], answer.json()
    assert answer["Link"] == f'</api/v1/jobs/{batch["job_id"]}>; rel="monitor"'
    assert api.post(f"{where}/accept").status_code == 409
    background.work_off()
    seen = api.read(where)
    assert seen["state"] == "previewed"
    assert seen["counts"] == {"new": 2, "changed": 0, "same": 0, "refused": 1}
    assert api.read("heaters?tag=CY-1")["items"] == []
    refused = api.get(f"{where}/refused")
    assert refused["Content-Type"].startswith("text/csv")
    assert "banana" in refused.content.decode()
    assert "CY-1" not in refused.content.decode()
    assert api.post(f"{where}/accept", {"all_or_nothing": False}).status_code == 202
    background.work_off()
    assert api.read(where)["state"] == "taken"
    assert api.read("heaters?tag=CY-2")["items"][0]["installed_precision"] == "month"
    assert api.post(f"{where}/accept").status_code == 409


def test_columns_are_mended_by_name(api: Api, cast: Cast) -> None:
    where = send(api, SHEET.replace("Gallons", "Xyz"))["Location"]
    batch = api.read(where)
    sheet = batch["columns"][0]
    assert sheet["headings"]["Tag"] == "tag"
    mended = {"columns": [{"sheet": sheet["sheet"], "headings": {"Xyz": "capacity_gal"}}]}
    assert api.patch(where, mended).status_code == 202
    background.work_off()
    assert api.read(where)["columns"][0]["headings"]["Xyz"] == "capacity_gal"
    wrong = api.patch(where, {"columns": [{"sheet": "none", "headings": {}}]})
    assert (wrong.status_code, wrong.json()["errors"][0]["pointer"]) == (422, "/columns")


@pytest.mark.parametrize("content", ["", "nothing here", "\x00\x01\x02"])
def test_what_is_no_list_is_refused_with_words(api: Api, content: str) -> None:
    answer = send(api, content)
    assert answer.status_code in (202, 422)
    if answer.status_code == 202:
        background.work_off()
        assert api.read(answer["Location"])["state"] == "failed"
    else:
        assert answer.json()["errors"][0]["pointer"] == "/file"


def test_the_plan_is_the_pages_plan_to_the_cent(api: Api, cast: Cast) -> None:
    with scoped(scope_of_organisation(cast.house, actor="test")):
        grow_estate(cast.house, positions=40)
    assert api.get("plan").status_code == 404
    answer = api.post("forecast-runs", {"horizon_years": 3, "draws": 200, "as_of": "2026-11-01"})
    assert answer.status_code == 202, answer.content
    run = answer.json()
    assert run["state"] == "waiting"
    again = api.post("forecast-runs", {"horizon_years": 3, "draws": 200, "as_of": "2026-11-01"})
    assert again.json()["id"] == run["id"]
    assert api.get(f"forecast-runs/{run['id']}/plan").status_code == 409
    background.work_off(1)
    assert api.read(answer["Location"])["state"] == "done"
    file = api.client
    file.force_login(cast.owner)
    page = file.get(reverse("planning:download", args=["plan", "csv"])).getvalue().decode()
    rows = list(csv.DictReader(io.StringIO(page)))
    names = {"portfolio": "portfolio", "property": "property", "building": "building", "kind": "kind"}
    for grouping, in_file in names.items():
        plan = Api(api.token).read(f"plan?grouping={grouping}")
        ours = [
            (group["name"], year["fiscal_year"], *(year["cost"][q] for q in ("expected", "p10", "p90")))
            for group in plan["groups"]
            for year in group["years"]
        ]
        theirs = [
            (row["group"], row["fiscal_year"], row["cost_expected"], row["cost_p10"], row["cost_p90"])
            for row in rows
            if row["grouping"] == in_file
        ]
        assert ours == theirs
        assert plan["currency"] == rows[0]["currency"]
    total = sum(
        Decimal(year["cost"]["expected"]) for year in Api(api.token).read("plan")["groups"][0]["years"]
    )
    by_kind = Api(api.token).read("plan?grouping=kind")["groups"]
    assert sum(Decimal(y["cost"]["expected"]) for group in by_kind for y in group["years"]) == total
    ranked = Api(api.token).read("outlooks?limit=5")["items"]
    assert [row["rank"] for row in ranked] == [1, 2, 3, 4, 5]
    assert ranked[0]["reasons"][0]["words"]
    assert ranked[0]["currency"] == plan["currency"]


def test_prices_are_changed_with_the_state_that_was_read(api: Api, cast: Cast) -> None:
    answer = api.get("cost-book")
    line = answer.json()["lines"][0]
    assert line["status"] == "illustration"
    with scoped(scope_of_organisation(cast.house)):
        assert answer.json()["id"] is None and not CostBook.objects.exists()  # read, so not written
    change = {
        "lines": [
            {
                "kind": line["kind"],
                "capacity_from_gal": line["capacity_from_gal"],
                "planned_cost": "1234.50",
                "emergency_cost": "2000.00",
            }
        ],
        "growth_mean": "0.0250",
    }
    assert api.patch("cost-book", change).status_code == 428
    done = api.patch("cost-book", change, if_match=answer["ETag"])
    assert done.status_code == 200, done.content
    now = api.read("cost-book")
    mine = next(one for one in now["lines"] if one["planned_cost"] == "1234.50")
    assert (mine["status"], mine["capacity_from_gal"]) == ("entered", line["capacity_from_gal"])
    assert now["growth_mean"] == "0.0250"
    assert len(now["lines"]) == len(answer.json()["lines"])
    cheaper = {
        "lines": [
            {"id": mine["id"], "kind": mine["kind"], "planned_cost": "1200.00", "emergency_cost": "2000.00"}
        ]
    }
    done = api.patch("cost-book", cheaper, if_match=done["ETag"])
    assert {"1200.00", "1234.50"} & {one["planned_cost"] for one in done.json()["lines"]} == {"1200.00"}
    assert api.patch("cost-book", change, if_match=answer["ETag"]).status_code == 412
    wrong = {"lines": [{**change["lines"][0], "planned_cost": 5}]}  # type: ignore[index]
    refused = api.patch("cost-book", wrong, if_match=done["ETag"])
    assert refused.json()["errors"][0]["pointer"] == "/lines/0/planned_cost"


def test_long_work_can_be_called_off(api: Api, cast: Cast) -> None:
    run = api.post("forecast-runs", {"draws": 100}).json()
    assert api.read(f"jobs/{run['job_id']}")["state"] == "waiting"
    assert api.post(f"forecast-runs/{run['id']}/cancel").json()["state"] == "cancelled"
    assert api.read(f"jobs/{run['job_id']}")["state"] == "cancelled"
    assert api.post(f"jobs/{run['job_id']}/again").json()["state"] == "waiting"


def test_a_capital_plan_without_a_forecast_is_refused_with_words(api: Api, cast: Cast) -> None:
    answer = api.post("capital-plans", {"cap": "40000.00"})
    assert answer.status_code == 409
    assert "forecast" in answer.json()["detail"]


def test_the_record_comes_out_as_files_and_line_by_line(api: Api, cast: Cast) -> None:
    for file_format, start in (("csv", b"PK"), ("xlsx", b"PK"), ("json", b"{")):
        answer = api.get(f"exports/record.{file_format}")
        assert b"".join(answer.streaming_content).startswith(start)
    lines = b"".join(api.get("exports/heaters.ndjson").streaming_content).splitlines()
    import json

    assert [json.loads(line) for line in lines] == [api.read(f"heaters/{cast.heater.pk}")]
    assert api.get("exports/record.exe").status_code == 404
    assert api.get("exports/secrets.ndjson").status_code == 404


def test_a_large_record_is_written_to_a_file_behind_a_job(
    api: Api, cast: Cast, settings: Any, tmp_path: Path
) -> None:
    settings.DATA = tmp_path
    answer = api.post("exports", {"format": "json"})
    assert answer.status_code == 202, answer.content
    where, job = answer["Location"], answer.json()
    assert answer["Link"] == f'</api/v1/jobs/{job["id"]}>; rel="monitor"'
    assert api.get(where).status_code == 404
    background.work_off()
    assert api.read(f"jobs/{job['id']}")["result"]["rows"]["heaters"] == 1
    at_once = b"".join(api.get("exports/record.json").streaming_content)
    assert b"".join(api.get(where).streaming_content) == at_once
    assert api.post("exports", {"format": "exe"}).status_code == 422
    for token in (
        token_for(cast.owner, property_ids=[cast.property.pk]),
        token_for(cast.owner, kind="service"),
    ):
        narrower = Api(token)
        assert narrower.get(where).status_code == 409
        assert narrower.post("exports", {"format": "json"}).status_code == 409
