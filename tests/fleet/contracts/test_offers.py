"""An offer is drafted, issued, answered once, and never changed after it left the house."""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.urls import reverse
from pypdf import PdfReader

from fleet.contracts import book, offers, pricing, survey
from fleet.contracts.document import content_of
from fleet.contracts.models import Contract, Offer, ReceivedOffer, SurveyLine
from fleet.estate import grants
from fleet.estate.models import AccessGrant, Happening, HistoryEntry
from fleet.estate.scope import Level, scope_of_organisation, scoped
from tests.conftest import Cast
from tests.fleet.contracts.conftest import Trade
from tests.fleet.contracts.made_up import (
    TODAY,
    accepted,
    drafted,
    issued,
    scope_of_person,
    standing_house,
    terms,
    wishes,
)

Open = Callable[..., AccessGrant]


@pytest.fixture
def ready(cast: Cast, trade: Trade, open_house: Open) -> Trade:
    standing_house(cast)
    open_house(Level.WORK)
    return trade


def boss(trade: Trade) -> Any:
    return scoped(scope_of_person(trade.boss, trade.company))


def test_the_parts_of_the_price_belong_to_the_heaters(cast: Cast, ready: Trade) -> None:
    offer = drafted(cast, ready)
    parts = offer.priced["heaters"]
    assert len(parts) == 6
    assert sum(part[0] for part in parts.values()) == pytest.approx(float(offer.price), abs=0.1)
    assert offer.priced["quote"]["chance_of_loss"] <= 0.1 + 1 / 400


def test_trying_another_scope_costs_no_second_look(cast: Cast, ready: Trade) -> None:
    with boss(ready):
        offer = drafted(cast, ready)
        rows = {row["level"]: row["prices"] for row in offer.priced["scopes"]}
        care, repairs, all_of_it = (rows[level]["any_day"] for level in ("care", "repairs", "replacement"))
        assert care < repairs < all_of_it
        assert rows["repairs"]["working_day"] < rows["repairs"]["hours"]
        adds = {row["clause"]: row["adds"] for row in offer.priced["clauses"]}
        assert adds["replacing what fails"] == pytest.approx(all_of_it - repairs, abs=0.02)


def test_a_price_below_cost_needs_a_reason(cast: Cast, ready: Trade) -> None:
    offer = drafted(cast, ready)
    with boss(ready):
        low = Decimal(str(offer.priced["quote"]["break_even"] * 0.5)).quantize(Decimal("0.01"))
        with pytest.raises(offers.OfferRefused, match="below the expected cost"):
            offers.change_offer(offer, wishes(), terms(price=low))
        changed = offers.change_offer(
            offer, wishes(), terms(price=low, below_cost_reason="to win the next house")
        )
        assert changed.price == low
        assert changed.below_cost_reason == "to win the next house"
        entry = HistoryEntry.objects.filter(subject_kind="offer").latest("id")
        assert entry.reason == "to win the next house"


def test_an_issued_offer_is_never_changed_only_followed_by_a_version(cast: Cast, ready: Trade) -> None:
    received = issued(cast, ready)
    with boss(ready):
        offer = Offer.objects.get()
        with pytest.raises(offers.OfferRefused, match="never changed"):
            offers.change_offer(offer, wishes(years=2), terms())
        second = offers.new_version(offer, book.ensure_book(ready.company), wishes(years=2), terms())
        assert (second.number, second.version, second.state) == (offer.number, 2, "draft")
        offers.issue_offer(second)
        offer.refresh_from_db()
        assert offer.state == "withdrawn"
    with scoped(scope_of_organisation(cast.house)):
        received.refresh_from_db()
        assert received.state == "withdrawn"
        assert ReceivedOffer.objects.get(version=2).content["years"] == 2
    with scoped(scope_of_person(cast.owner, cast.house)), pytest.raises(offers.OfferRefused):
        offers.answer_offer(received, True, "Olga")


def test_what_was_issued_stays_as_it_was_whatever_the_survey_says_later(cast: Cast, ready: Trade) -> None:
    received = issued(cast, ready)
    with boss(ready):
        offer = Offer.objects.get()
        line = offer.survey.lines.get(heater=cast.heater)
        survey.rule_by_hand(line, SurveyLine.Verdict.LIMITED, "seen after the offer left")
        with pytest.raises(survey.SurveyRefused, match="Begin a new survey"):
            survey.request_working_out(offer.survey)
    page = cast.client(ready.boss).get(f"/contracts/offers/{offer.pk}/").content.decode()
    assert "seen after the offer left" not in page
    with scoped(scope_of_person(cast.owner, cast.house)):
        offers.answer_offer(received, True, "Olga Owner")
    with scoped(scope_of_organisation(ready.company)):
        assert Contract.objects.get().heaters.get(heater=cast.heater).replaced


def test_the_client_accepts_by_name_once_and_the_contract_begins(cast: Cast, ready: Trade) -> None:
    contract = accepted(cast, ready)
    with scoped(scope_of_organisation(ready.company)):
        offer = contract.offer
        assert offer.state == "accepted"
        assert offer.answered_by == "Olga Owner (Owner)"
        assert contract.ends_on == date(2029, 3, 1)
        parts = contract.heaters.values_list("price_a_year", flat=True)
        assert sum(parts, Decimal(0)) == offer.price
        assert Happening.objects.filter(kind="offer_answered").count() == 1
        with pytest.raises(offers.OfferRefused, match="never changed"):
            offers.change_offer(offer, wishes(), terms())
    with scoped(scope_of_person(cast.owner, cast.house)):
        received = ReceivedOffer.objects.get()
        with pytest.raises(offers.OfferRefused, match="answered, replaced or withdrawn"):
            offers.answer_offer(received, False, "Olga Owner")
        assert Contract.objects.count() == 0  # the company's own row


def test_accepting_opens_what_only_a_survey_was_granted_for(
    cast: Cast, trade: Trade, open_house: Open
) -> None:
    standing_house(cast)
    with scoped(scope_of_organisation(cast.house)):
        grants.grant_access(cast.house, trade.code, [cast.property.pk], Level.SURVEY, date(2026, 4, 1))
    contract = accepted(cast, trade)
    found = grants.clients_of(trade.company)[0]
    assert found.properties == {cast.property.pk: Level.WORK}
    assert found.until[cast.property.pk] == contract.ends_on


def test_an_offer_without_a_limit_speaks_of_none_and_warns_the_company(cast: Cast, ready: Trade) -> None:
    with boss(ready):
        offer = drafted(cast, ready)
        unlimited = offers.change_offer(offer, wishes(level="replacement", limit_a_year=None), terms())
        told = content_of(unlimited)
        assert told["scope"] == "care, repairs and replacement without a yearly limit"
        assert "limit" not in told["scope_words"]
        limited = content_of(
            offers.change_offer(offer, wishes(level="replacement", limit_a_year=5000.0), terms())
        )
        assert "up to the yearly limit" in limited["scope_words"]
        assert limited["limit"]
        address = reverse("contracts:price", args=[offer.survey_id])
    client = cast.client(ready.boss)
    warned = "you replace every heater that fails"
    assert warned in client.get(address, {"level": "replacement", "years": "2"}).content.decode()
    capped = {"level": "replacement", "years": "2", "limit_a_year": "5000"}
    assert warned not in client.get(address, capped).content.decode()


def test_the_pdf_holds_scope_price_exclusions_reasons_and_cautions_but_no_costs(
    cast: Cast, ready: Trade
) -> None:
    with boss(ready):
        offer = drafted(cast, ready)
        line = SurveyLine.objects.order_by("id")[0]
        survey.note_on_site(line, {"no_access": True})
        offer = offers.change_offer(offer, wishes(limit_a_year=5000.0), terms(exclusions="Work above 3 m."))
        offers.issue_offer(offer)
    with scoped(scope_of_organisation(cast.house)):
        received = ReceivedOffer.objects.get()
    pages = PdfReader(io.BytesIO(bytes(received.document))).pages
    text = " ".join(" ".join(page.extract_text() for page in pages).split())
    for words in (
        "Copper Lane Plumbing (invented)",
        "Alder Homes (invented)",
        "care, repairs and replacement up to a limit",
        f"USD {float(offer.price):,.2f}",
        "USD 5,000.00 a contract year",
        "Work above 3 m.",
        "It cannot be reached to work on.",
        "the local code",
        "Invented demonstration data",
    ):
        assert words in text, words
    secret = f"{offer.priced['quote']['expected_cost']:,.0f}"
    assert secret not in text
    assert "margin" not in str(received.content)


def test_on_paper_the_scan_is_filed_and_work_must_be_open(cast: Cast, trade: Trade, open_house: Open) -> None:
    standing_house(cast)
    with scoped(scope_of_organisation(cast.house)):
        grants.grant_access(cast.house, trade.code, [cast.property.pk], Level.SURVEY, date(2026, 4, 1))
    issued(cast, trade)
    scan = b"%PDF-1.7 signed"
    with boss(trade), pytest.raises(offers.OfferRefused, match="not yet granted work"):
        offers.file_on_paper(Offer.objects.get(), True, "Olga", "", "signed.pdf", scan)
    open_house(Level.WORK)
    with boss(trade):
        with pytest.raises(offers.OfferRefused, match="photo"):
            offers.file_on_paper(Offer.objects.get(), True, "Olga", "", "signed.pdf", b"hello")
        offer = offers.file_on_paper(Offer.objects.get(), True, "Olga", "", "signed.pdf", scan)
        assert offer.on_paper
        assert bytes(offer.scan) == scan
        assert Contract.objects.count() == 1
    with scoped(scope_of_organisation(cast.house)):
        assert ReceivedOffer.objects.get().on_paper


def test_a_grant_that_ended_during_the_survey_is_told(cast: Cast, trade: Trade, open_house: Open) -> None:
    standing_house(cast)
    grant = open_house(Level.WORK)
    offer = drafted(cast, trade)
    with scoped(scope_of_organisation(cast.house, actor="Owner")):
        grants.revoke_access(grant)
    with boss(trade):
        with pytest.raises(survey.SurveyRefused, match="ended or was revoked during the survey"):
            survey.request_working_out(offer.survey)
        with pytest.raises(offers.OfferRefused, match="access ended or was revoked"):
            offers.issue_offer(offer)


def test_an_empty_scope_is_told(cast: Cast, ready: Trade) -> None:
    with boss(ready):
        with pytest.raises(survey.SurveyRefused, match="Nothing is in scope"):
            survey.begin_survey(ready.company, [])
        offer = drafted(cast, ready)
        for line in SurveyLine.objects.all():
            survey.note_on_site(line, {"recalled": True})
        with pytest.raises(offers.OfferRefused, match="Nothing is in scope"):
            offers.change_offer(offer, wishes(), terms())


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"years": 9}, "1 to 5 years"),
        ({"margin": 0.95}, "0 to 90"),
        ({"loss_chance": 0.9}, "1 to 50"),
        ({"level": "all"}, "lists"),
        ({"level": "care", "care": {}}, "choose at least one task"),
        ({"care": {"polish": 12}}, "choose a task"),
        ({"limit_a_year": -1.0}, "0 or more"),
    ],
)
def test_wishes_that_cannot_be_are_refused(
    cast: Cast, ready: Trade, change: dict[str, Any], words: str
) -> None:
    offer = drafted(cast, ready)
    with boss(ready), pytest.raises(pricing.PricingRefused, match=words):
        pricing.price(offer.survey, offer.book, wishes(**change))


def test_a_late_answer_and_a_past_start_are_refused(cast: Cast, ready: Trade) -> None:
    with boss(ready):
        offer = drafted(cast, ready)
        with pytest.raises(offers.OfferRefused, match="has passed"):
            offers.change_offer(offer, wishes(), terms(starts_on=date(2026, 1, 1)))
    received = issued(cast, ready)
    cast.house.calendar_stands_at = date(2026, 4, 2)
    cast.house.save()
    with scoped(scope_of_person(cast.owner, cast.house)):
        received = ReceivedOffer.objects.get(pk=received.pk)
        with pytest.raises(offers.OfferRefused, match="could be accepted until"):
            offers.answer_offer(received, True, "Olga")
    assert date(2026, 4, 2) > TODAY
