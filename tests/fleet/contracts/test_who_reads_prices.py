"""Of offers, contracts and the company's prices only who may plan reads, in the record of changes too."""

from __future__ import annotations

from typing import Any

from django.test import Client

from fleet.contracts.models import Contract
from tests.api.conftest import Api, token_for
from tests.conftest import Cast
from tests.fleet.contracts.conftest import Trade

PLANNED = {"offer", "contract", "contractheater", "receivedoffer", "companybook"}


def kinds(person: Any) -> set[str]:
    return {row["subject_kind"] for row in Api(token_for(person)).read("history?limit=100")["items"]}


def shown(client: Client, person: Any) -> str:
    client.force_login(person)
    return client.get("/changes/").content.decode()


def test_a_fitter_reads_no_price_among_the_changes(contract: Contract, trade: Trade, client: Client) -> None:
    assert {"offer", "contract"} <= kinds(trade.boss)
    seen = kinds(trade.fitter)
    assert "survey" in seen
    assert not seen & PLANNED

    assert "offer drafted" in shown(client, trade.boss).lower()
    page = shown(client, trade.fitter).lower()
    assert "survey begun" in page
    assert "offer" not in page.split("<main", 1)[1]


def test_nor_does_a_clients_crew(contract: Contract, cast: Cast) -> None:
    assert "receivedoffer" in kinds(cast.planner)
    for person in (cast.technician, cast.contractor):
        assert kinds(person)
        assert not kinds(person) & PLANNED
