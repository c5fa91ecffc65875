"""The demonstration's company gets its contract by the same verbs, and only once."""

from __future__ import annotations

from fleet.contracts import demo
from fleet.contracts.models import Contract, Offer
from fleet.estate.models import Organisation
from fleet.estate.scope import scope_of_organisation, scoped
from tests.conftest import Cast, make_heater
from tests.fleet.contracts.conftest import Trade
from tests.fleet.contracts.made_up import TODAY, standing_house


def test_one_contract_and_one_open_offer_made_once(cast: Cast, trade: Trade) -> None:
    standing_house(cast, 4)
    with scoped(scope_of_organisation(cast.house)):
        for number in range(3):
            make_heater(cast.house, "Cedar Place", f"C-{number}")
    company = Organisation.objects.get(pk=trade.company.pk)
    assert company.calendar_stands_at == TODAY
    assert demo.open_contract(company, cast.house) == "1 contract, 2 offers"
    assert demo.open_contract(company, cast.house) == "the company has offers already"
    with scoped(scope_of_organisation(company)):
        assert Contract.objects.count() == 1
        assert sorted(Offer.objects.values_list("state", flat=True)) == ["accepted", "issued"]
