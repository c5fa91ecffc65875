"""The room's pages: who may open them, that a foreign row does not exist, and that forms keep what they say."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest
from django.test import Client
from django.urls import reverse

from fleet.contracts.models import (
    CompanyBook,
    CompanyPrice,
    Contract,
    Offer,
    ReceivedOffer,
    Survey,
    SurveyLine,
)
from fleet.estate.background import work_off
from fleet.estate.models import AccessGrant, Membership, Organisation, Person
from fleet.estate.scope import Level, scope_of_organisation, scoped
from tests.conftest import Cast
from tests.fleet.contracts.conftest import Trade
from tests.fleet.contracts.made_up import accepted, issued, standing_house

Open = Callable[..., AccessGrant]
COMPANY_LISTS = ("clients", "places", "surveys", "offers", "contracts", "claims", "prices")


@pytest.fixture
def ready(cast: Cast, trade: Trade, open_house: Open) -> Trade:
    standing_house(cast)
    open_house(Level.WORK)
    return trade


def rows_of(trade: Trade) -> dict[str, int]:
    with scoped(scope_of_organisation(trade.company)):
        return {
            "survey": Survey.objects.get().pk,
            "survey_line": SurveyLine.objects.order_by("id")[0].pk,
            "price": Survey.objects.get().pk,
            "offer": Offer.objects.get().pk,
            "offer_pdf": Offer.objects.get().pk,
            "offer_picture": Offer.objects.get().pk,
            "contract": Contract.objects.get().pk,
            "contract_picture": Contract.objects.get().pk,
        }


def test_the_company_opens_all_its_pages_and_nobody_else_does(cast: Cast, ready: Trade) -> None:
    accepted(cast, ready)
    rival = Organisation.objects.create(name="Rival Plumbing (invented)", kind="company")
    other = Person.objects.create_user("rival@almanac.example", "water-heater-9", name="Rival")
    Membership.objects.create(organisation=rival, person=other, role="owner")
    boss, fitter, stranger = (Client() for _ in range(3))
    boss.force_login(ready.boss)
    fitter.force_login(ready.fitter)
    stranger.force_login(other)
    for name in COMPANY_LISTS:
        address = reverse(f"contracts:{name}")
        assert boss.get(address).status_code == 200, name
        assert "Alder" not in stranger.get(address).content.decode(), name
        if name not in ("clients", "places"):
            assert fitter.get(address).status_code == 403, name
            assert cast.client(cast.owner).get(address).status_code in (404, 200), name
    for name, number in rows_of(ready).items():
        address = reverse(f"contracts:{name}", args=[number])
        assert boss.get(address).status_code == 200, name
        for person in (other, cast.owner, cast.outsider):
            assert cast.client(person).get(address).status_code == 404, (name, person)


def test_the_client_opens_what_it_received_and_nobody_else_does(cast: Cast, ready: Trade) -> None:
    received = issued(cast, ready)
    for name in ("received_offer", "received_pdf"):
        address = reverse(f"contracts:{name}", args=[received.pk])
        assert cast.client(cast.owner).get(address).status_code == 200
        assert cast.client(cast.technician).get(address).status_code == 403
        assert cast.client(cast.outsider).get(address).status_code == 404
        assert cast.client(ready.boss).get(address).status_code == 404
    listed = reverse("contracts:received")
    assert "Copper Lane" in cast.client(cast.owner).get(listed).content.decode()
    assert "Copper Lane" not in cast.client(cast.outsider).get(listed).content.decode()


def test_only_the_owner_answers_for_the_house(cast: Cast, ready: Trade) -> None:
    received = issued(cast, ready)
    address = reverse("contracts:answer_offer", args=[received.pk])
    given = {"answer": "accepted", "name": "Olga Owner"}
    assert cast.client(cast.planner).post(address, given).status_code == 403
    assert cast.client(cast.outsider).post(address, given).status_code == 404
    assert cast.client(cast.owner).post(address, given | {"name": ""}).status_code == 302
    with scoped(scope_of_organisation(cast.house)):
        assert ReceivedOffer.objects.get().state == "issued"
    assert cast.client(cast.owner).post(address, given).status_code == 302
    with scoped(scope_of_organisation(cast.house)):
        assert ReceivedOffer.objects.get().state == "accepted"


def test_prices_are_tried_by_reading_and_kept_by_the_button(cast: Cast, ready: Trade) -> None:
    issued(cast, ready)
    client = cast.client(ready.boss)
    with scoped(scope_of_organisation(ready.company)):
        survey = Survey.objects.get()
    address = reverse("contracts:price", args=[survey.pk])
    asked = {
        "level": "repairs",
        "response": "hours",
        "years": "2",
        "margin": "25",
        "loss_chance": "5",
        "care": "flush",
    }
    page = client.get(address, asked)
    assert page.status_code == 200
    assert "give or take" in page.content.decode()
    wrong = client.get(address, asked | {"margin": "a lot"})
    assert wrong.status_code == 422
    assert "is not a number" in wrong.content.decode()
    low = client.post(address, asked | {"price": "1"})
    assert low.status_code == 422
    assert "below the expected cost" in low.content.decode()
    assert client.post(address, asked).status_code == 302
    with scoped(scope_of_organisation(ready.company)):
        offer = Offer.objects.get(number=2)
        assert (offer.level, offer.years, str(offer.margin)) == ("repairs", 2, "0.250")
        assert offer.care == {"flush": 12}


def test_the_cost_book_keeps_versions_and_says_what_is_wrong(cast: Cast, ready: Trade) -> None:
    client = cast.client(ready.boss)
    address = reverse("contracts:prices")
    assert "illustration" in client.get(address).content.decode()
    wrong = client.post(address, {"labour_hour|": "many", "trip|": "-3"})
    assert wrong.status_code == 422
    assert "&#x27;many&#x27; is not a number" in wrong.content.decode()
    assert "-3 cannot be" in wrong.content.decode()
    assert client.post(address, {"labour_hour|": "112.5", "source": "wages of 2026"}).status_code == 302
    with scoped(scope_of_organisation(ready.company)):
        assert CompanyBook.objects.count() == 2
        row = CompanyPrice.objects.filter(item="labour_hour").latest("id")
        assert (str(row.amount.normalize()), row.status, row.source) == ("112.5", "entered", "wages of 2026")


def test_the_cost_book_asks_shares_in_per_cent_and_keeps_them_as_shares(cast: Cast, ready: Trade) -> None:
    client = cast.client(ready.boss)
    address = reverse("contracts:prices")
    wrong = client.post(address, {"growth_mean|": "40"}).content.decode()
    assert "40 % cannot be; 0 to 30 % a year can" in wrong and 'value="40"' in wrong
    assert client.post(address, {"growth_mean|": "2.5"}).status_code == 302
    with scoped(scope_of_organisation(ready.company)):
        kept = CompanyPrice.objects.filter(item="growth_mean").latest("id")
        assert kept.amount == Decimal("0.025")
    page = client.get(address).content.decode()
    assert 'value="2.5"' in page and "USD an hour" in page
    assert "0.5 is half a per cent" in page
    said = client.post(address, {"growth_mean|": "0.03"}, follow=True).content.decode()
    assert "Own costs grow by: 0.03 was read as 0.03 %. If 3 % was meant, write 3." in said


def test_the_cost_book_shows_thousands_apart_and_takes_both(cast: Cast, ready: Trade) -> None:
    client, address = cast.client(ready.boss), reverse("contracts:prices")
    for typed in ("1,250", "1250", "1250.00"):
        assert client.post(address, {"trip|": typed}).status_code == 302
        assert 'value="1,250"' in client.get(address).content.decode()
    with scoped(scope_of_organisation(ready.company)):
        assert CompanyBook.objects.count() == 2


def test_a_survey_is_worked_out_from_the_register(cast: Cast, ready: Trade) -> None:
    """The real road, once: fit, futures, rulings."""
    client = cast.client(ready.boss)
    started = client.post(
        reverse("contracts:surveys"),
        {"client": cast.house.pk, "properties": [cast.property.pk], "years": "2"},
    )
    assert started.status_code == 302
    early = client.get(started.url).content.decode()
    assert "Nothing is ruled yet" in early
    assert "taken on</span>" not in early
    work_off()
    with scoped(scope_of_organisation(ready.company)):
        survey = Survey.objects.get()
        assert (survey.state, survey.error) == ("ready", "")
        chances = list(survey.lines.values_list("fail_chance", flat=True))
        assert len(chances) == 6
        assert all(0 < chance < 1 for chance in chances)
    page = client.get(started.url).content.decode()
    assert "Price it" in page
    assert "Nothing is ruled yet" not in page
    assert "taken on</span>" in page or "replacement excluded</span>" in page
    priced = client.get(reverse("contracts:price", args=[survey.pk]), {"level": "replacement", "years": "2"})
    assert priced.status_code == 200
    fitter = cast.client(ready.fitter)
    with scoped(scope_of_organisation(ready.company)):
        line = survey.lines.order_by("id")[0]
    on_site = reverse("contracts:survey_line", args=[line.pk])
    assert fitter.post(on_site, {"no_access": "on", "condition": "behind a wall"}).status_code == 302
    assert fitter.post(reverse("contracts:rule_line", args=[line.pk]), {}).status_code == 403
    with scoped(scope_of_organisation(ready.company)):
        line.refresh_from_db()
        assert line.verdict == "refused"
        assert line.reasons[0].startswith("It cannot be reached")
