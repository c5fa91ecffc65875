"""The offer's verbs: draft, new version, issue, withdraw, answered by the client in the product or on paper."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_UP, Decimal

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from fleet.contracts import document, pricing, running
from fleet.contracts.models import CompanyBook, Contract, Offer, ReceivedOffer, Survey
from fleet.contracts.pricing import Wishes
from fleet.estate.calendar import today_of
from fleet.estate.grants import clients_of
from fleet.estate.happenings import announce
from fleet.estate.history import record_change
from fleet.estate.models import Organisation
from fleet.estate.scope import Level, current_scope, scope_of_organisation, scoped
from fleet.heaters import attachments

State = Offer.State
CENT = Decimal("0.01")


class OfferRefused(ValueError):
    """What was asked of an offer cannot be done; the message says why and what would be right."""


@dataclass(frozen=True)
class Terms:
    """What stands in the offer beside the wishes it was priced by."""

    starts_on: date
    valid_until: date
    price: Decimal | None = None  # None: the one asked by margin and chance of loss
    below_cost_reason: str = ""
    exclusions: str = ""


@contextmanager
def whole(organisation: Organisation | int) -> Iterator[None]:
    """The other side's organisation, for the row that it keeps of the same act."""
    with scoped(scope_of_organisation(organisation, actor=current_scope().actor)):
        yield


def _check(survey: Survey, terms: Terms) -> None:
    today = today_of(survey.client)
    if terms.starts_on < today:
        raise OfferRefused(f"The start {terms.starts_on} has passed; give today, {today}, or later.")
    if terms.valid_until < today:
        raise OfferRefused(f"The last day to accept, {terms.valid_until}, has passed; give {today} or later.")
    if terms.price is not None and not Decimal(0) < terms.price <= Decimal("99999999.99"):
        raise OfferRefused(f"A price of {terms.price} cannot be offered; give an amount above 0.")


def _values(survey: Survey, book: CompanyBook, wishes: Wishes, terms: Terms) -> dict[str, object]:
    _check(survey, terms)
    asked = None if terms.price is None else float(terms.price)
    try:
        priced = pricing.price(survey, book, wishes, asked)
    except pricing.PricingRefused as refused:
        raise OfferRefused(str(refused)) from None
    amount = terms.price or Decimal(repr(priced.quote.price)).quantize(CENT, ROUND_UP)
    reason = terms.below_cost_reason.strip()[:300]
    if float(amount) < priced.quote.break_even and not reason:
        raise OfferRefused(
            f"A price of {amount:,.2f} lies below the expected cost of {priced.quote.break_even:,.2f} a first year. "
            "Say why it is offered all the same, or ask for more."
        )
    return {
        "level": wishes.level,
        "response": wishes.response,
        "starts_on": terms.starts_on,
        "years": wishes.years,
        "price_growth": Decimal(str(wishes.price_growth)).quantize(Decimal("0.0001")),
        "limit_a_year": None
        if wishes.limit_a_year is None
        else Decimal(str(wishes.limit_a_year)).quantize(CENT),
        "margin": Decimal(str(wishes.margin)).quantize(Decimal("0.001")),
        "loss_chance": Decimal(str(wishes.loss_chance)).quantize(Decimal("0.001")),
        "price": amount,
        "below_cost_reason": reason,
        "care": dict(wishes.care),
        "exclusions": terms.exclusions.strip()[:5000],
        "valid_until": terms.valid_until,
        "priced": priced.figures | {"experience": wishes.experience},
        "paths": pricing.pack_paths(priced.yearly),
    }


@transaction.atomic
def draft_offer(
    survey: Survey, book: CompanyBook, wishes: Wishes, terms: Terms, renews: Contract | None = None
) -> Offer:
    """A first version. Raises OfferRefused with what is wrong and what would be right."""
    values = _values(survey, book, wishes, terms)
    last = Offer.objects.filter(organisation_id=survey.organisation_id).aggregate(last=Max("number"))["last"]
    offer: Offer = Offer.objects.create(
        organisation_id=survey.organisation_id,
        survey=survey,
        client_id=survey.client_id,
        book=book,
        number=(last or 0) + 1,
        renews=renews,
        **values,
    )
    record_change(offer, "offer drafted", {"price": (None, str(offer.price))}, offer.below_cost_reason)
    return offer


@transaction.atomic
def change_offer(offer: Offer, wishes: Wishes, terms: Terms) -> Offer:
    """Change a draft. An offer that left the house is never changed: make a new version of it."""
    row: Offer = Offer.objects.select_for_update(of=("self",)).get(pk=offer.pk)
    if row.state != State.DRAFT:
        raise OfferRefused(
            f"Version {row.version} of offer {row.number} is {row.get_state_display()} and is never changed. "
            "Make a new version of it."
        )
    before = row.price
    for name, value in _values(row.survey, row.book, wishes, terms).items():
        setattr(row, name, value)
    row.save()
    record_change(row, "draft changed", {"price": (str(before), str(row.price))}, row.below_cost_reason)
    return row


@transaction.atomic
def new_version(offer: Offer, book: CompanyBook, wishes: Wishes, terms: Terms) -> Offer:
    """The next version of an offer, as a draft; the one before stands until the new one is issued."""
    rows = Offer.objects.select_for_update(of=("self",)).filter(
        organisation_id=offer.organisation_id, number=offer.number
    )
    latest: Offer = rows.order_by("-version")[0]
    if latest.state == State.DRAFT:
        return change_offer(latest, wishes, terms)
    row: Offer = Offer.objects.create(
        organisation_id=offer.organisation_id,
        survey=offer.survey,
        client_id=offer.client_id,
        book=book,
        number=offer.number,
        version=latest.version + 1,
        renews=offer.renews,
        **_values(offer.survey, book, wishes, terms),
    )
    record_change(row, "new version", {"version": (latest.version, row.version)}, row.below_cost_reason)
    return row


@transaction.atomic
def issue_offer(offer: Offer) -> Offer:
    """Hand the offer to the client: the document stands in the client's own record from now on."""
    row: Offer = (
        Offer.objects.select_for_update(of=("self",))
        .select_related("client", "organisation")
        .get(pk=offer.pk)
    )
    if row.state != State.DRAFT:
        raise OfferRefused(f"This version is {row.get_state_display()} already.")
    if row.client_id not in {client.organisation.pk for client in clients_of(row.organisation)}:
        raise OfferRefused(
            f"{row.client} no longer opens anything to you: the access ended or was revoked. Ask for it again "
            "before you issue the offer; the draft is kept."
        )
    _check(row.survey, Terms(row.starts_on, row.valid_until))
    for older in Offer.objects.filter(
        organisation_id=row.organisation_id, number=row.number, state=State.ISSUED
    ):
        _withdraw(older, f"replaced by version {row.version}")
    row.state, row.issued_at, row.issued_by = State.ISSUED, timezone.now(), current_scope().actor
    content = row.content = document.content_of(row)
    row.save(update_fields=["state", "issued_at", "issued_by", "content"])
    paper = document.pdf(content)
    record_change(row, "offer issued", {"state": (State.DRAFT, State.ISSUED)})
    with whole(row.client):
        received = ReceivedOffer.objects.create(
            organisation_id=row.client_id,
            company_id=row.organisation_id,
            company_name=row.organisation.name,
            number=row.number,
            version=row.version,
            content=content,
            document=paper,
            received_at=row.issued_at,
            valid_until=row.valid_until,
        )
        record_change(received, "offer received")
        announce(
            "offer_received",
            f"{row.organisation_id} {row.number} {row.version}",
            f"{row.organisation.name} offers a service contract; answer by {row.valid_until}.",
            organisation_id=row.client_id,
            address=f"/offers/{received.pk}/",
            urgent=False,
        )
    return row


def _received(offer: Offer) -> ReceivedOffer | None:
    found: ReceivedOffer | None = ReceivedOffer.objects.filter(
        company_id=offer.organisation_id, number=offer.number, version=offer.version
    ).first()
    return found


def _withdraw(offer: Offer, why: str) -> None:
    if not Offer.objects.filter(pk=offer.pk, state=State.ISSUED).update(
        state=State.WITHDRAWN, answer=why[:300]
    ):
        raise OfferRefused("Only an offer that is with the client can be withdrawn.")
    record_change(offer, "offer withdrawn", {"state": (State.ISSUED, State.WITHDRAWN)}, why)
    with whole(offer.client_id):
        ReceivedOffer.objects.filter(
            company_id=offer.organisation_id, number=offer.number, version=offer.version, state=State.ISSUED
        ).update(state=State.WITHDRAWN, answer=why[:300])


@transaction.atomic
def withdraw_offer(offer: Offer, why: str) -> None:
    if not why.strip():
        raise OfferRefused("Say why the offer is withdrawn; the client reads it.")
    _withdraw(offer, why.strip())


@transaction.atomic
def answer_offer(received: ReceivedOffer, accepts: bool, name: str, words: str = "") -> ReceivedOffer:
    """The client's own answer, by name, now. Accepting opens the properties for the promised work."""
    if not name.strip():
        raise OfferRefused("Write the name of who answers for the client.")
    today = today_of(received.organisation)
    if today > received.valid_until:
        raise OfferRefused(
            f"This offer could be accepted until {received.valid_until}. Ask for a new version."
        )
    state = State.ACCEPTED if accepts else State.DECLINED
    now, person = timezone.now(), f"{name.strip()} ({current_scope().actor})"[:200]
    values = {"state": state, "answered_at": now, "answered_by": person, "answer": words.strip()[:300]}
    if not ReceivedOffer.objects.filter(pk=received.pk, state=State.ISSUED).update(**values):
        raise OfferRefused("This offer was answered, replaced or withdrawn already; nothing was changed.")
    record_change(received, "offer answered", {"state": (State.ISSUED, state)}, words)
    client = received.organisation
    with whole(received.company_id):
        offer: Offer = Offer.objects.select_related("organisation", "client", "survey").get(
            organisation_id=received.company_id, number=received.number, version=received.version
        )
        if not Offer.objects.filter(pk=offer.pk, state=State.ISSUED).update(**values):
            raise OfferRefused("This offer was answered, replaced or withdrawn already; nothing was changed.")
        offer.refresh_from_db()
        record_change(offer, "offer answered", {"state": (State.ISSUED, state)}, words)
        _tell_company(offer, person)
        contract = running.begin_contract(offer) if accepts else None
    if contract is not None:
        running.open_for_work(client, contract)
    received.refresh_from_db()
    return received


def _tell_company(offer: Offer, person: str) -> None:
    announce(
        "offer_answered",
        f"{offer.number} {offer.version}",
        f"Offer {offer.number} to {offer.client} was {offer.get_state_display()} by {person}."[:300],
        organisation_id=offer.organisation_id,
        address=f"/contracts/offers/{offer.pk}/",
        urgent=False,
    )


@transaction.atomic
def file_on_paper(offer: Offer, accepts: bool, name: str, words: str, scan_name: str, scan: bytes) -> Offer:
    """The client answered on paper: the scan is filed with the offer. The work must have been granted before."""
    if not name.strip():
        raise OfferRefused("Write the name of who signed.")
    try:
        checked = attachments.check(scan_name, scan)
    except attachments.RefusedFile as refused:
        raise OfferRefused(str(refused)) from None
    if accepts:
        _work_is_open(offer)
    state = State.ACCEPTED if accepts else State.DECLINED
    values = {
        "state": state,
        "answered_at": timezone.now(),
        "answered_by": name.strip()[:200],
        "answer": words.strip()[:300],
        "on_paper": True,
    }
    kept = {"scan": checked.content, "scan_name": checked.name, "scan_type": checked.content_type}
    if not Offer.objects.filter(pk=offer.pk, state=State.ISSUED).update(**values, **kept):
        raise OfferRefused("Only an offer that is with the client can be answered.")
    with whole(offer.client_id):
        if not ReceivedOffer.objects.filter(
            company_id=offer.organisation_id, number=offer.number, version=offer.version, state=State.ISSUED
        ).update(**values):
            raise OfferRefused("The client answered this offer in its own record already.")
        if (received := _received(offer)) is not None:
            record_change(received, "offer answered on paper", {"state": (State.ISSUED, state)}, words)
    offer.refresh_from_db()
    record_change(offer, "offer answered on paper", {"state": (State.ISSUED, state)}, words)
    if accepts:
        running.begin_contract(offer)
    return offer


def _work_is_open(offer: Offer) -> None:
    wanted = set(
        offer.survey.lines.exclude(verdict="refused").values_list(
            "heater__position__building__property_id", flat=True
        )
    )
    open_now: set[int] = set()
    for client in clients_of(offer.organisation):
        if client.organisation.pk == offer.client_id:
            open_now = set(client.at_least(Level.WORK))
    if wanted - open_now:
        raise OfferRefused(
            "The client has not yet granted work at all properties of this offer. Ask for that first, then file "
            "the signed offer."
        )
