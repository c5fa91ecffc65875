"""A row of each kind of a company's surveys, offers and contracts, and what a client received."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import numpy as np
from django.utils import timezone

from fleet.contracts import book, pricing, working_out
from fleet.contracts.models import (
    Contract,
    ContractChange,
    ContractHeater,
    ContractJob,
    Offer,
    ReceivedOffer,
    Survey,
    SurveyLine,
    WarrantyClaim,
)
from fleet.estate.models import Organisation
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters.models import Heater
from forecasting.contract_futures import Futures
from tests.fleet.contracts.made_up import laws

QUOTE = {"expected_cost": 900.0, "revenue": 1200.0, "break_even": 300.0, "price": 400.0}
EXPECTED = {"care_hours": 9.0, "care_trips": 6.0, "repairs": 1.0, "failures": 0.4}


def fill(heater: Heater, other: Organisation) -> dict[str, int]:
    """As if this heater's organisation were the company, and `other` its client and its company at once."""
    mine: dict[str, Any] = {"organisation_id": heater.organisation_id}
    today, now = timezone.now().date(), timezone.now()
    nothing = np.array([], dtype=np.int64)
    futures = Futures(
        np.array([heater.pk]), 20, 3, nothing, nothing, np.zeros(20), np.zeros((20, 3)), np.zeros(1), laws()
    )
    survey = Survey.objects.create(
        client=other, begun_on=today, futures=working_out.pack(futures), horizon_years=3, **mine
    )
    line = SurveyLine.objects.create(survey=survey, heater=heater, place="a place", **mine)
    priced = {
        "heaters": {str(heater.pk): [400.0, 900.0, 1.0]},
        "quote": QUOTE,
        "expected": EXPECTED,
        "enrolled": 1,
        "limited": 0,
        "water": {"failures": 0.0, "money": 0.0},
        "loading": 1.3,
    }
    terms: dict[str, Any] = {
        "survey": survey,
        "client": other,
        "book": book.ensure_book(heater.organisation),
        "level": "repairs",
        "response": "any_day",
        "starts_on": today + timedelta(days=9),
        "valid_until": today + timedelta(days=9),
        "years": 3,
        "margin": Decimal("0.2"),
        "loss_chance": Decimal("0.1"),
        "price": Decimal("400.00"),
        "care": {"flush": 12},
        "priced": priced,
        "paths": pricing.pack_paths(np.full((20, 3), 300.0) + np.arange(20)[:, None]),
        **mine,
    }
    paper = {"scan": b"made up", "scan_name": "signed.pdf", "scan_type": "application/pdf"}
    offer = Offer.objects.create(number=1, **paper, **terms)
    signed = Offer.objects.create(
        number=2, state="accepted", answered_at=now, answered_by="Invented", **terms
    )
    contract = Contract.objects.create(
        offer=signed,
        client=other,
        starts_on=date(today.year - 1, 1, 1),
        ends_on=date(today.year + 2, 1, 1),
        **mine,
    )
    under = ContractHeater.objects.create(
        contract=contract,
        heater=heater,
        since=contract.starts_on,
        replaced=False,
        price_a_year=Decimal("400.00"),
        **mine,
    )
    change = ContractChange.objects.create(
        contract=contract,
        day=today,
        what="added",
        heater=heater,
        words="made up",
        price_before=0,
        price_after=400,
        made_by="test",
        **mine,
    )
    job = ContractJob.objects.create(
        contract=contract,
        heater=heater,
        what="repair",
        called_at=now - timedelta(hours=3),
        came_at=now,
        hours=1,
        materials=5,
        cost=100,
        entered_by="test",
        **mine,
    )
    claim = WarrantyClaim.objects.create(contract=contract, heater=heater, words="made up", **mine)
    _at_the_company(other, heater, terms)
    received = ReceivedOffer.objects.create(
        company=other,
        company_name="Invented",
        number=1,
        version=1,
        content={"number": 1},
        document=b"%PDF-made-up",
        received_at=now,
        valid_until=today + timedelta(days=9),
        **mine,
    )
    return {
        "surveys": survey.pk,
        "survey-heaters": line.pk,
        "offers": offer.pk,
        "received-offers": received.pk,
        "contracts": contract.pk,
        "contract-heaters": under.pk,
        "contract-changes": change.pk,
        "contract-jobs": job.pk,
        "warranty-claims": claim.pk,
    }


def _at_the_company(company: Organisation, heater: Heater, terms: dict[str, Any]) -> None:
    """The company's own row of what the client received."""
    with scoped(scope_of_organisation(company, actor="test")):
        theirs = {"organisation": company, "client": heater.organisation}
        survey = Survey.objects.create(begun_on=terms["starts_on"], **theirs)
        own = terms | theirs | {"survey": survey, "book": book.ensure_book(company)}
        own.pop("organisation_id")
        Offer.objects.create(number=1, state="issued", **own)


def contents(own: dict[str, int]) -> dict[str, Any]:
    """What the posts and patches of these kinds take, by the end of their paths."""
    moments = {"called_at": "2026-10-01T08:00:00Z", "came_at": "2026-10-01T10:00:00Z"}
    return {
        "/surveys": {"property_ids": [own["properties"]]},
        "/price": {},
        "/surveys/<number:pk>/offers": {},
        "/note": {"condition": "rust"},
        "/rule": {"verdict": "refused", "reason": "made up"},
        "/withdraw": {"reason": "made up"},
        "/paper": {"answer": "declined", "name": "Invented"},
        "/received-offers/<number:pk>/answer": {"answer": "declined", "name": "Invented"},
        "/add-heater": {"heater_id": own["heaters"]},
        "/contracts/<number:pk>/end": {"reason": "made up"},
        "/remove": {"reason": "made up"},
        "/contract-jobs": {
            "contract_id": own["contracts"], "heater_id": own["heaters"], "what": "repair", "hours": "1.00",
            "materials": "0.00", **moments,
        },
        "/company-cost-book": {"prices": [{"item": "trip", "amount": "40"}]},
    }  # fmt: skip
