"""A survey already worked out, with happenings made up by hand: no forecast is fitted."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np

from fleet.contracts import book, offers, pricing, survey, working_out
from fleet.contracts.models import Contract, Offer, ReceivedOffer, Survey
from fleet.estate.access import scope_of
from fleet.estate.models import Membership, Organisation, Person
from fleet.estate.scope import Level, scope_of_organisation, scoped
from fleet.heaters.models import Heater, ServiceRecord
from forecasting.contract_futures import Futures, Laws
from tests.conftest import Cast, make_heater

PATHS, YEARS = 400, 5
FAILURES, REPAIRS = 0.05, 0.12  # a heater and year, whatever its age
TODAY = date(2026, 3, 2)


def scope_of_person(person: Person, organisation: Organisation) -> Any:
    return scope_of(Membership.objects.get(person=person, organisation=organisation))


def standing_house(cast: Cast, count: int = 6) -> None:
    """More heaters at the cast's property, on a calendar that stands still."""
    Organisation.objects.update(calendar_stands_at=TODAY)
    cast.house.refresh_from_db()
    with scoped(scope_of_organisation(cast.house)):
        for number in range(2, count + 1):
            make_heater(cast.house, tag=f"H-{number}")
        for heater in Heater.objects.all():
            day = date(2025, 6, 1)
            ServiceRecord.objects.create(
                organisation=cast.house,
                heater=heater,
                kind="flush",
                done_earliest=day,
                done_latest=day,
                done_precision="day",
            )


def worked_out(company: Organisation, property_ids: list[int]) -> Survey:
    """In the company's scope: begin a survey and put made-up futures where the forecast would."""
    row = survey.begin_survey(company, property_ids)
    numbers = sorted(row.lines.values_list("heater_id", flat=True))
    generator = np.random.default_rng(5)
    count = len(numbers)

    def happenings(rate: float) -> np.ndarray:
        counts = generator.poisson(rate, (PATHS, YEARS, count))
        return np.repeat(np.arange(PATHS * YEARS * count), counts.ravel())

    futures = Futures(
        np.array(numbers),
        PATHS,
        YEARS,
        happenings(FAILURES),
        happenings(REPAIRS),
        generator.standard_normal(PATHS),
        generator.random((PATHS, YEARS)),
        np.full(count, 0.02),
        laws(),
    )
    years = list(range(working_out.OLDEST))
    table = {
        "failures": [min(0.9, 0.005 * age) for age in years],
        "repairs": [0.05 + 0.005 * age for age in years],
    }
    answer = working_out.Answer(
        working_out.pack(futures),
        {"by_age": {"gas_storage_atmospheric": table, "electric_storage": table}},
        {int(number): 0.2 for number in numbers},
        {int(number): 9.8 for number in numbers},
        "made up",
    )
    survey._keep(row, answer)
    row.refresh_from_db()
    return row


def laws() -> Laws:
    """Exponential lives and repairs at the same rates, for heaters that come later."""
    kinds = ("gas_storage_atmospheric", "electric_storage")
    one = np.ones((PATHS, len(kinds)))
    return Laws(kinds, one, one / FAILURES, one * REPAIRS * 10, one, 0.4)


def wishes(**changes: Any) -> pricing.Wishes:
    known = {"level": "replacement", "years": 3, "care": {"flush": 12, "relief_valve_test": 12}}
    return pricing.Wishes(**(known | changes))


def terms(**changes: Any) -> offers.Terms:
    return offers.Terms(**({"starts_on": TODAY, "valid_until": date(2026, 4, 1)} | changes))


def drafted(cast: Cast, trade: Any, **changes: Any) -> Offer:
    """A draft in the company's own hands. Needs the property open to the company."""
    with scoped(scope_of_person(trade.boss, trade.company)):
        row = worked_out(trade.company, [cast.property.pk])
        return offers.draft_offer(row, book.ensure_book(trade.company), wishes(**changes), terms())


def issued(cast: Cast, trade: Any, **changes: Any) -> ReceivedOffer:
    offer = drafted(cast, trade, **changes)
    with scoped(scope_of_person(trade.boss, trade.company)):
        offers.issue_offer(offer)
    with scoped(scope_of_organisation(cast.house)):
        found: ReceivedOffer = ReceivedOffer.objects.get(number=offer.number, version=offer.version)
        return found


def accepted(cast: Cast, trade: Any, **changes: Any) -> Contract:
    received = issued(cast, trade, **changes)
    with scoped(scope_of_person(cast.owner, cast.house)):
        offers.answer_offer(received, True, "Olga Owner")
    with scoped(scope_of_organisation(trade.company)):
        found: Contract = Contract.objects.select_related(
            "offer__book", "offer__survey", "client", "organisation"
        ).get(offer__number=received.number)
        return found


def at_company(trade: Any) -> Any:
    return scoped(scope_of_person(trade.boss, trade.company))


def day_is(cast: Cast, day: date) -> None:
    cast.house.calendar_stands_at = day
    cast.house.save()


def fresh(contract: Contract) -> Contract:
    found: Contract = Contract.objects.select_related(
        "offer__book", "offer__survey", "client", "organisation"
    ).get(pk=contract.pk)
    return found


__all__ = [
    "TODAY",
    "Level",
    "accepted",
    "at_company",
    "day_is",
    "drafted",
    "fresh",
    "issued",
    "standing_house",
    "terms",
    "wishes",
    "worked_out",
]
