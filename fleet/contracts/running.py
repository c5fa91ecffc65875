"""The running contract's verbs: begin, promise the care, re-price by rule when heaters change, end."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.utils import timezone

from fleet.contracts import book as books
from fleet.contracts import document, one_heater
from fleet.contracts.ages import age_of
from fleet.contracts.models import (
    Contract,
    ContractChange,
    ContractHeater,
    Offer,
    ReceivedOffer,
    SurveyLine,
)
from fleet.contracts.priced_now import AGE_UNKNOWN
from fleet.estate import background
from fleet.estate.calendar import today_of
from fleet.estate.grants import clients_of, scope_of_company
from fleet.estate.history import Change, record_change, record_changes
from fleet.estate.models import AccessGrant, Organisation, Property
from fleet.estate.scope import Level, current_scope, scope_of_organisation, scoped
from fleet.heaters.models import Heater

What = ContractChange.What
CENT = Decimal("0.01")


class ContractRefused(ValueError):
    """What was asked of a contract cannot be done; the message says why and what would be right."""


@dataclass(frozen=True)
class _Later:
    """A heater that joins later and what the rule makes of it."""

    heater: Heater
    since: date
    words: str
    what: str


def begin_contract(offer: Offer) -> Contract:
    """An accepted offer becomes a contract. Within the transaction of the acceptance, in the company's scope."""
    ends = document.ends_on(offer)
    earlier = Contract.objects.filter(
        organisation_id=offer.organisation_id, offer__number=offer.number, state=Contract.State.RUNNING
    )
    for row in [*earlier, *([offer.renews] if offer.renews else [])]:
        _end(row, offer.starts_on - timedelta(days=1), f"followed by {offer}", What.RENEWED)
    contract: Contract = Contract.objects.create(
        organisation_id=offer.organisation_id,
        offer=offer,
        client_id=offer.client_id,
        starts_on=offer.starts_on,
        ends_on=ends,
    )
    covered = _covered(offer)
    prices = _cents({int(number): parts[0] for number, parts in offer.priced["heaters"].items()}, offer.price)
    ContractHeater.objects.bulk_create(
        ContractHeater(
            organisation_id=offer.organisation_id,
            contract=contract,
            heater_id=number,
            since=offer.starts_on,
            replaced=offer.level == Offer.Level.REPLACEMENT and number in covered,
            price_a_year=amount,
        )
        for number, amount in prices.items()
    )
    record_change(contract, "contract begun", {"heaters": (0, len(prices))})
    background.enqueue("contract promises", {"contract_id": contract.pk}, offer.organisation_id)
    return contract


def _covered(offer: Offer) -> set[int]:
    """Heaters whose replacement was priced; a ruling changed after the offer was made does not change the offer."""
    if "covered" in offer.priced:
        return set(offer.priced["covered"])
    taken = offer.survey.lines.filter(verdict=SurveyLine.Verdict.TAKEN)  # made by an earlier version
    return set(taken.values_list("heater_id", flat=True))


def _cents(parts: dict[int, float], whole: Decimal) -> dict[int, Decimal]:
    """Parts in whole cents that sum to the whole: the last ones take what rounding left."""
    total = sum(parts.values())
    exact = {number: Decimal(repr(part / total)) * whole for number, part in parts.items()}
    cents = {number: amount.quantize(CENT) for number, amount in exact.items()}
    rest = whole - sum(cents.values(), Decimal(0))
    step = CENT if rest > 0 else -CENT
    for number in sorted(cents, key=lambda one: exact[one] - cents[one], reverse=rest > 0):
        if not rest:
            break
        cents[number] += step
        rest -= step
    return cents


def open_for_work(client: Organisation, contract: Contract) -> None:
    """Accepting in the product opens the contract's properties for work until its end, in the client's name."""
    with scoped(scope_of_organisation(contract.organisation_id, actor=current_scope().actor)):
        numbers = list(contract.heaters.values_list("heater_id", flat=True))
    wanted = set(
        Heater.objects.filter(pk__in=numbers).values_list("position__building__property_id", flat=True)
    )
    company = Organisation.objects.get(pk=contract.organisation_id)
    held = next((row for row in clients_of(company) if row.organisation.pk == client.pk), None)
    already = {
        number
        for number in (held.at_least(Level.WORK) if held else ())
        if (last := held.until[number] if held else None) is None or last >= contract.ends_on
    }
    places = list(Property.objects.filter(organisation=client, pk__in=wanted - already))
    if not places:
        return
    grant: AccessGrant = AccessGrant.objects.create(
        organisation=client,
        company=company,
        level=Level.WORK,
        until=contract.ends_on,
        granted_at=timezone.now(),
        granted_by=current_scope().actor,
    )
    grant.properties.set(places)
    what = {"access": ("none", str(grant)), "until": ("", str(contract.ends_on))}
    record_changes(
        Change(grant, "access granted", what, "by accepting an offer", place.pk) for place in places
    )


def sync_heaters(contract: Contract, today: date) -> list[ContractChange]:
    """Follow the register: a heater that left goes out of the contract, its successor comes in, each by the rule."""
    changes = []
    live = list(contract.heaters.filter(until=None).select_related("heater"))
    ended = [row for row in live if not row.heater.in_service]
    under = {row.heater_id for row in live}
    for row in ended:
        left = row.heater.removed_latest or row.heater.removed_earliest or today
        day = min(max(left, row.since), today)
        place = Heater.objects.filter(position_id=row.heater.position_id, ending="")
        successor = place.exclude(pk__in=under).select_related("position__building__property").first()
        gone = _leave(
            contract, row, day, "it was replaced" if successor else "it left service", successor is None
        )
        if gone is not None:
            changes.append(gone)
        if successor is not None:
            words = f"in the place of {row.heater.tag}"
            changes.append(_join(contract, _Later(successor, day, words, What.REPLACED), row.price_a_year))
    return changes


@transaction.atomic
def add_heater(contract: Contract, heater: Heater) -> ContractChange:
    """Take one more heater of the client into the contract, priced by the rule."""
    _running(contract)
    if heater.organisation_id != contract.client_id or not heater.in_service:
        raise ContractRefused("Only a heater of this client that is in service can be added.")
    if contract.heaters.filter(heater=heater, until=None).exists():
        raise ContractRefused(f"{heater.tag} is under this contract already.")
    today = today_of(contract.client)
    return _join(contract, _Later(heater, max(today, contract.starts_on), "added", What.ADDED), Decimal(0))


@transaction.atomic
def remove_heater(contract: Contract, row: ContractHeater, reason: str) -> ContractChange:
    _running(contract)
    if not reason.strip():
        raise ContractRefused("Say why the heater leaves the contract.")
    today = max(today_of(contract.client), row.since)
    change = _leave(contract, row, today, reason.strip()[:150], True)
    assert change is not None
    return change


def _running(contract: Contract) -> None:
    if contract.state != Contract.State.RUNNING:
        raise ContractRefused("This contract has ended.")


def first_year_price(contract: Contract) -> Decimal:
    rows = contract.heaters.filter(until=None).values_list("price_a_year", flat=True)
    return sum(rows, Decimal(0))


def _leave(
    contract: Contract, row: ContractHeater, day: date, why: str, recorded: bool
) -> ContractChange | None:
    before = first_year_price(contract)
    row.until, row.left_because = day, why[:200]
    row.save(update_fields=["until", "left_because"])
    if not recorded:
        return None
    words = f"{row.heater.tag}: {why}. The first-year price falls by its part, {row.price_a_year:,.2f}."
    return _record(contract, day, What.REMOVED, row.heater, words, before)


def _join(contract: Contract, later: _Later, leaving: Decimal) -> ContractChange:
    """The rule: what a heater of its kind and age costs by the survey's table and the offer's cost book, times the
    offer's own loading (its price against its expected cost)."""
    offer = contract.offer
    before = first_year_price(contract) + leaving
    age = age_of(later.heater, later.since)
    covered = offer.level == Offer.Level.REPLACEMENT and age is not None
    figures, years = books.figures_of(offer.book), AGE_UNKNOWN if age is None else age
    cost = one_heater.cost_of_age(offer.survey, figures, offer, later.heater.kind, years, covered)
    price = Decimal(repr(cost * float(offer.priced["loading"]))).quantize(CENT)
    ContractHeater.objects.create(
        organisation_id=contract.organisation_id,
        contract=contract,
        heater=later.heater,
        since=later.since,
        replaced=covered,
        price_a_year=price,
    )
    age_words = f"about {age:.0f} years old" if age is not None else "of unknown age, replacement excluded"
    words = (
        f"{later.heater.tag}, {later.words}, {age_words}: what such a heater costs under this offer, {cost:,.2f}, "
        f"times its loading {offer.priced['loading']:.2f}, is {price:,.2f} a first year."
    )
    return _record(contract, later.since, later.what, later.heater, words, before)


def _record(
    contract: Contract, day: date, what: str, heater: Heater | None, words: str, before: Decimal
) -> ContractChange:
    change: ContractChange = ContractChange.objects.create(
        organisation_id=contract.organisation_id,
        contract=contract,
        day=day,
        what=what,
        heater=heater,
        words=words[:400],
        price_before=before,
        price_after=first_year_price(contract),
        made_by=current_scope().actor[:200],
    )
    record_change(
        contract, str(change.get_what_display()), {"price": (str(before), str(change.price_after))}, words
    )
    return change


@transaction.atomic
def end_contract(contract: Contract, day: date, why: str) -> None:
    """End it before its term, with a reason; its promises are withdrawn by the next round."""
    _running(contract)
    if not why.strip():
        raise ContractRefused("Say why the contract ends.")
    if not contract.starts_on <= day <= contract.ends_on:
        raise ContractRefused(f"The last day is from {contract.starts_on} to {contract.ends_on}.")
    _end(contract, day, why.strip(), What.ENDED)


@transaction.atomic
def end_by_term(contract: Contract) -> None:
    """Its last day has passed."""
    _end(contract, contract.ends_on, "its term is over", What.ENDED)


def _end(contract: Contract, day: date, why: str, what: str) -> None:
    day = max(min(day, contract.ends_on), contract.starts_on)
    if not Contract.objects.filter(pk=contract.pk, state=Contract.State.RUNNING).update(
        state=Contract.State.ENDED, ends_on=day, ended_because=why[:300]
    ):
        return
    before = first_year_price(contract)
    contract.heaters.filter(until=None, since__lte=day).update(until=day, left_because="the contract ended")
    contract.heaters.filter(until=None).delete()
    _record(contract, day, what, None, f"The contract ends on {day}: {why}", before)
    background.enqueue("contract promises", {"contract_id": contract.pk}, contract.organisation_id)
    with scoped(scope_of_organisation(contract.client_id, actor=current_scope().actor)):
        ReceivedOffer.objects.filter(
            company_id=contract.organisation_id,
            number=contract.offer.number,
            version=contract.offer.version,
            state=Offer.State.ACCEPTED,
        ).update(ended_on=day, ended_because=why[:300])


def not_under_contract(contract: Contract, limit: int = 200, tag: str = "") -> list[Heater]:
    """Heaters in service at the contract's properties that nobody promised anything for; of one tag, or all."""
    under = list(contract.heaters.filter(until=None).values_list("heater_id", flat=True))
    places = Heater.objects.filter(pk__in=under).values_list("position__building__property_id", flat=True)
    rows: Any = Heater.objects.filter(
        organisation_id=contract.client_id,
        ending="",
        position__building__property_id__in=list(set(places)),
    ).exclude(pk__in=under)
    if tag:
        rows = rows.filter(tag__iexact=tag)
    return list(rows.select_related("position__building__property").order_by("id")[:limit])


def scope_at_client(contract: Contract) -> Any:
    return scope_of_company(contract.organisation, contract.client_id, current_scope().actor)
