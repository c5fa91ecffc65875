"""The demonstration's plumbing company: access, survey, offer and contract by the same verbs as anybody's."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

from fleet.contracts import book, offers, pricing, survey
from fleet.contracts.models import Contract, Offer, ReceivedOffer
from fleet.estate import grants
from fleet.estate.calendar import today_of
from fleet.estate.models import Job, Organisation, Property
from fleet.estate.scope import Level, scope_of_organisation, scoped
from fleet.heaters.models import Heater

HOUSE_ACTOR = "Demo owner"
WORTH_A_CONTRACT = 20  # heaters


def open_contract(
    company: Organisation,
    house: Organisation,
    report: Callable[[float, str], None] = lambda fraction, words: None,
    cancelled: Callable[[], bool] = lambda: False,
) -> str:
    """One accepted contract and one offer that waits for an answer; nothing where the company has an offer already."""
    with scoped(scope_of_organisation(company)):
        if Offer.objects.exists():
            return "the company has offers already"
        code = grants.code_of(company)
    with scoped(scope_of_organisation(house, actor=HOUSE_ACTOR)):
        places = _two_places(house)
        if not places:
            return "the house has no heaters"
        if not any(client.organisation == house for client in grants.clients_of(company)):
            grants.grant_access(house, code, [place.pk for place in places], Level.OUTLOOK)
    today = today_of(house)
    wishes = pricing.Wishes(level=Offer.Level.REPLACEMENT, limit_a_year=15_000.0, care=pricing.usual_care())
    terms = offers.Terms(starts_on=today, valid_until=today + timedelta(days=30))
    for number, place in enumerate(places):
        with scoped(grants.scope_of_company(company, actor="Demo plumbing boss")):
            found = survey.begin_survey(company, [place.pk], note=f"Demonstration: {place.name}")
            found = survey.work_out(found, report, cancelled)
            offer = offers.draft_offer(found, book.ensure_book(company), wishes, terms)
            offers.issue_offer(offer)
        if number == 0:
            with scoped(scope_of_organisation(house, actor=HOUSE_ACTOR)):
                received = ReceivedOffer.objects.get(
                    company=company, number=offer.number, version=offer.version
                )
                offers.answer_offer(received, True, HOUSE_ACTOR)
    with scoped(scope_of_organisation(company)):
        return f"{Contract.objects.count()} contract, {Offer.objects.count()} offers"


def is_preparing(company: Organisation) -> bool:
    """Whether the demonstration's contract still waits for its background job."""
    return Job.objects.filter(organisation=company, kind="demo contract", state__in=Job.OPEN).exists()


def _two_places(house: Organisation) -> list[Property]:
    """The two smallest properties that are worth a contract, so that nobody waits long."""
    counts = {place: 0 for place in Property.objects.filter(organisation=house)}
    for place_id in Heater.objects.filter(ending="").values_list(
        "position__building__property_id", flat=True
    ):
        for place in counts:
            counts[place] += place.pk == place_id
    ordered = sorted(counts, key=lambda one: (counts[one] < WORTH_A_CONTRACT, counts[one], one.pk))
    return [place for place in ordered if counts[place]][:2]
