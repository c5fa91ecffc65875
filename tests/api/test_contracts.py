"""The plumbing company's whole way through the API: grant, survey, price, offer, answer, contract, how it pays."""

from __future__ import annotations

import io
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from pypdf import PdfReader

from fleet.estate.background import work_off
from fleet.estate.models import Organisation
from fleet.estate.scope import scope_of_organisation, scoped
from tests.api.conftest import Api, token_for
from tests.conftest import Cast
from tests.fleet.contracts.conftest import Trade
from tests.fleet.contracts.made_up import TODAY, scope_of_person, standing_house, worked_out

CARE = {"flush": 12, "relief_valve_test": 12}


@pytest.fixture
def boss(trade: Trade) -> Api:
    return Api(token_for(trade.boss))


@pytest.fixture
def opened(cast: Cast, api: Api, boss: Api) -> Cast:
    """The owner opens her property to the company by the code that it gave away."""
    standing_house(cast)
    code = boss.read("clients")["code"]
    body = {"code": code, "property_ids": [cast.property.pk], "level": "work"}
    answer = api.post("grants", body)
    assert answer.status_code == 201, answer.content
    assert answer.json()["property_ids"] == [cast.property.pk]
    return cast


@pytest.fixture
def survey(opened: Cast, trade: Trade) -> int:
    """A survey with happenings made up by hand: no forecast is fitted."""
    with scoped(scope_of_person(trade.boss, trade.company)):
        return int(worked_out(trade.company, [opened.property.pk]).pk)


def draft(boss: Api, survey: int, **changes: Any) -> dict[str, Any]:
    body = {"level": "replacement", "care": CARE, "starts_on": TODAY.isoformat()} | changes
    answer = boss.post(f"surveys/{survey}/offers", body)
    assert answer.status_code == 201, answer.content
    found: dict[str, Any] = answer.json()
    return found


def test_a_survey_begins_where_the_client_opened_and_nowhere_else(
    cast: Cast, opened: Cast, boss: Api
) -> None:
    clients = boss.read("clients")["items"]
    assert [row["properties"][0]["level"] for row in clients] == ["work"]
    assert clients[0]["heaters"] == 6
    answer = boss.post("surveys", {"property_ids": [cast.property.pk], "note": "first look"})
    assert answer.status_code == 202, answer.content
    assert answer["Link"].endswith('; rel="monitor"')
    lines = boss.read(f"survey-heaters?survey_id={answer.json()['id']}")["items"]
    assert len(lines) == 6
    foreign = boss.post("surveys", {"property_ids": [cast.foreign_heater.position.building.property_id]})
    missing = boss.post("surveys", {"property_ids": [999_999]})
    assert foreign.status_code == missing.status_code == 422


def test_what_is_seen_and_ruled_stands_with_the_heater(boss: Api, survey: int) -> None:
    line = boss.read(f"survey-heaters?survey_id={survey}")["items"][0]
    path = f"survey-heaters/{line['id']}"
    assert boss.post(f"{path}/note", {"recalled": True}).json()["recalled"] is True
    noted = boss.post(f"{path}/note", {"condition": "rust at the base"}).json()
    assert (noted["recalled"], noted["condition"]) == (True, "rust at the base")
    assert boss.post(f"{path}/rule", {"verdict": "taken", "reason": " "}).status_code == 422
    ruled = boss.post(f"{path}/rule", {"verdict": "refused", "reason": "sold next year"}).json()
    assert (ruled["verdict"], ruled["reasons"]) == ("refused", ["sold next year"])


def test_prices_are_tried_without_keeping_anything(boss: Api, survey: int) -> None:
    prices = []
    for level in ("care", "repairs", "replacement"):
        answer = boss.post(f"surveys/{survey}/price", {"level": level, "care": CARE})
        assert answer.status_code == 200, answer.content
        prices.append(answer.json()["priced"]["quote"]["price"])
    assert prices == sorted(prices)
    assert boss.read("offers")["items"] == []
    assert boss.post(f"surveys/{survey}/price", {"level": "care", "care": {}}).status_code == 422


def test_a_draft_is_changed_with_its_etag_and_an_issued_offer_never(boss: Api, survey: int) -> None:
    offer = draft(boss, survey)
    path = f"offers/{offer['id']}"
    assert boss.patch(path, {"years": 2}).status_code == 428
    changed = boss.change(path, {"years": 2})
    assert changed.status_code == 200, changed.content
    assert (changed.json()["years"], changed.json()["level"]) == (2, "replacement")
    low = boss.change(path, {"price": "1.00"})
    assert low.status_code == 422
    assert "below the expected cost" in low.json()["detail"]
    told = boss.change(path, {"price": "1.00", "below_cost_reason": "to win the next house"})
    assert told.json()["price"] == "1.00"
    assert boss.post(f"{path}/issue").json()["state"] == "issued"
    late = boss.change(path, {"years": 1})
    assert late.status_code == 422
    assert "new version" in late.json()["detail"]
    second = boss.post(f"{path}/versions", {"years": 1})
    assert (second.status_code, second.json()["version"], second.json()["years"]) == (201, 2, 1)
    boss.post(f"offers/{second.json()['id']}/issue")
    assert boss.read(path)["state"] == "withdrawn"


def test_the_client_reads_its_paper_and_answers_once(boss: Api, api: Api, survey: int, cast: Cast) -> None:
    offer = draft(boss, survey)
    boss.post(f"offers/{offer['id']}/issue")
    received = api.read("received-offers")["items"][0]
    assert "priced" not in str(received["content"])
    pdf = api.get(f"received-offers/{received['id']}/document.pdf")
    assert "Copper Lane" in PdfReader(io.BytesIO(pdf.content)).pages[0].extract_text()
    answer = f"received-offers/{received['id']}/answer"
    planner = Api(token_for(cast.planner))
    body = {"answer": "accepted", "name": "Olga Owner"}
    assert planner.post(answer, body).status_code == 403
    first = api.post(answer, body, idempotency_key="once")
    assert first.json()["state"] == "accepted", first.content
    assert api.post(answer, body, idempotency_key="once").content == first.content
    assert api.post(answer, body).status_code == 422
    contract = boss.read("contracts")["items"][0]
    assert boss.read(f"offers/{offer['id']}")["contract_id"] == contract["id"]
    assert api.read("contracts")["items"] == []


def test_a_signed_paper_is_filed_with_its_scan(boss: Api, survey: int) -> None:
    offer = draft(boss, survey)
    path = f"/api/v1/offers/{offer['id']}"
    boss.post(f"{path}/issue")
    scan = SimpleUploadedFile("signed.pdf", b"%PDF-1.4 made up\n%%EOF")
    answer = boss.client.post(
        f"{path}/paper",
        {"file": scan, "answer": "declined", "name": "Olga"},
        HTTP_AUTHORIZATION=f"Bearer {boss.token}",
    )
    assert answer.status_code == 200, answer.content
    assert (answer.json()["state"], answer.json()["on_paper"]) == ("declined", True)
    assert boss.get(f"{path}/scan").content.startswith(b"%PDF")


@pytest.fixture
def contract(boss: Api, api: Api, survey: int) -> dict[str, Any]:
    offer = draft(boss, survey)
    boss.post(f"offers/{offer['id']}/issue")
    received = api.read("received-offers")["items"][0]
    api.post(f"received-offers/{received['id']}/answer", {"answer": "accepted", "name": "Olga"})
    work_off()
    found: dict[str, Any] = boss.read("contracts")["items"][0]
    return found


def test_promised_care_is_in_both_queues(boss: Api, api: Api, contract: dict[str, Any]) -> None:
    for who in (boss, api):
        promised = who.read("tasks?promised=true&limit=100")["items"]
        assert len(promised) == 12
        assert {row["promised_words"] for row in promised} == {
            "Contract 1 of Copper Lane Plumbing (invented)"
        }


def test_jobs_changes_and_standing(
    cast: Cast,
    boss: Api,
    trade: Trade,
    contract: dict[str, Any],
) -> None:
    fitter = Api(token_for(trade.fitter))
    job = {
        "contract_id": contract["id"], "heater_id": cast.heater.pk, "what": "repair", "hours": "2.00",
        "materials": "35.00", "called_at": "2026-03-02T15:00:00Z", "came_at": "2026-03-02T17:00:00Z",
    }  # fmt: skip
    Organisation.objects.update(calendar_stands_at=date(2026, 9, 2))
    answer = fitter.post("contract-jobs", job)
    assert answer.status_code == 201, answer.content
    assert fitter.get("contract-jobs").status_code == 403
    standing = boss.read(f"contracts/{contract['id']}/standing")
    assert (standing["jobs"], standing["came_in_time"]) == (1, 1)
    assert standing["job_cost"] == float(answer.json()["cost"]) > 35
    assert standing["experience"]["sentence"]
    everything = boss.read("contracts/paying")
    assert everything["clients"][0]["cost"] == standing["cost"]
    row = boss.read(f"contract-heaters?contract_id={contract['id']}&now=true")["items"][0]
    gone = boss.post(f"contract-heaters/{row['id']}/remove", {"reason": "sold"})
    assert gone.json()["what"] == "removed", gone.content
    assert Decimal(gone.json()["price_before"]) - Decimal(gone.json()["price_after"]) == Decimal(
        row["price_a_year"]
    )
    uncovered = boss.read(f"contracts/{contract['id']}/uncovered")["items"]
    assert [one["heater_id"] for one in uncovered] == [row["heater_id"]]
    back = boss.post(f"contracts/{contract['id']}/add-heater", {"heater_id": row["heater_id"]})
    assert (back.status_code, back.json()["what"]) == (201, "added")
    assert boss.post(f"contracts/{contract['id']}/renew").status_code == 202
    ended = boss.post(f"contracts/{contract['id']}/end", {"reason": "both agreed"})
    assert (ended.json()["state"], ended.json()["ends_on"]) == ("ended", "2026-09-02")


def test_the_companys_own_costs_are_saved_as_a_version(boss: Api, api: Api) -> None:
    before = boss.read("company-cost-book")
    answer = boss.change("company-cost-book", {"prices": [{"item": "trip", "amount": "41.50"}]})
    assert answer.status_code == 200, answer.content
    trip = next(row for row in answer.json()["prices"] if row["item"] == "trip")
    assert (trip["amount"], trip["status"]) == ("41.5000", "entered")
    assert answer.json()["id"] != before["id"]
    assert (
        boss.change("company-cost-book", {"prices": [{"item": "trip", "amount": "9999"}]}).status_code == 422
    )
    for path in ("company-cost-book", "clients", "clients/places", "contracts/paying"):
        assert api.get(path).status_code == 404


def test_a_grant_revoked_closes_the_way_at_once(cast: Cast, api: Api, boss: Api, survey: int) -> None:
    grant = api.read("grants?in_force=true")["items"][0]
    offer = draft(boss, survey)
    api.post(f"grants/{grant['id']}/revoke", {"reason": "test"})
    assert boss.get(f"heaters/{cast.heater.pk}").status_code == 404
    refused = boss.post(f"offers/{offer['id']}/issue")
    assert refused.status_code == 422
    assert "no longer opens" in refused.json()["detail"]
    assert boss.post(f"surveys/{survey}/work-out").status_code == 422
    with scoped(scope_of_organisation(cast.house)):
        assert api.read("received-offers")["items"] == []
