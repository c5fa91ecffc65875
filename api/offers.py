"""Offers: the company's versions, and what a client received and answers."""

from __future__ import annotations

from typing import Any

from django.urls import path

from api.contract_shapes import (
    OFFERS,
    RECEIVED,
    Answered,
    OfferChanged,
    OfferPricing,
    OnPaper,
    Why,
)
from api.door import ApiView
from api.operations import operation
from api.rows import Row
from api.surveys import terms_from, wishes_from
from api.usual import PDF, Doors, File, Verb, act, file_of, listing, one_of, single
from fleet.contracts import book as books
from fleet.contracts import document, offers, paying, pricing
from fleet.contracts.models import Offer, ReceivedOffer
from fleet.estate.access import Need
from fleet.heaters.attachments import MAX_BYTES


def _kept(row: Offer) -> tuple[pricing.Wishes, offers.Terms]:
    """What an offer wishes and says by now."""
    wishes = pricing.wishes_of(row)
    return wishes, offers.Terms(row.starts_on, row.valid_until, None, row.below_cost_reason, row.exclusions)


def _change(view: ApiView, row: Offer) -> None:
    wishes, terms = _kept(row)
    offers.change_offer(row, wishes_from(view.given, wishes), terms_from(view.given, terms))


def _version(view: ApiView, row: Offer) -> Any:
    wishes, terms = _kept(row)
    made = offers.new_version(
        row,
        books.ensure_book(row.organisation),
        wishes_from(view.given, wishes),
        terms_from(view.given, terms),
    )
    return view.made(OFFERS, made.pk, "/api/v1/offers")


def _issue(view: ApiView, row: Offer) -> None:
    offers.issue_offer(row)


def _withdraw(view: ApiView, row: Offer) -> None:
    offers.withdraw_offer(row, view.given["reason"])


def _on_paper(view: ApiView, row: Offer) -> None:
    given, sent = view.given, view.given["file"]
    if (sent.size or 0) > MAX_BYTES:
        raise offers.OfferRefused(f"The scan is larger than {MAX_BYTES // 2**20} MB.")
    accepts = given["answer"] == "accepted"
    offers.file_on_paper(
        row, accepts, given["name"], given.get("words", ""), sent.name or "scan", sent.read()
    )


class PricingView(ApiView):
    @operation(
        Need.PLAN, "How an offer's price came about, and what its client is told.", gives=OfferPricing,
        clients=True, tag="offers",
    )  # fmt: skip
    def get(self, request: Any, pk: int) -> Any:
        OFFERS.one(pk)
        row = Offer.objects.select_related("client", "organisation", "survey", "book").get(pk=pk)
        spread: list[Row] = []
        if row.paths is not None:
            spread = paying.histogram(pricing.unpack_paths(row.paths).sum(axis=1))
        return self.answer({"priced": row.priced, "content": _content(row), "spread": spread})


def _content(row: Offer) -> Row:
    """What the client reads: as it was issued, or, of a draft, as it would be."""
    found: Row = row.content or document.content_of(row)
    return found


def _pdf(view: ApiView, row: Offer) -> tuple[bytes, str]:
    return document.pdf(_content(row)), f"offer-{row.number}-{row.version}.pdf"


def _scan(view: ApiView, row: Offer) -> tuple[bytes, str] | None:
    if row.scan is None:
        return None
    return bytes(row.scan), row.scan_name.replace('"', "").replace("\\", "") or "scan"


def _received_pdf(view: ApiView, row: ReceivedOffer) -> tuple[bytes, str]:
    return bytes(row.document), f"offer-{row.number}-{row.version}.pdf"


def _answer(view: ApiView, row: ReceivedOffer) -> None:
    given = view.given
    offers.answer_offer(row, given["answer"] == "accepted", given["name"], given.get("words", ""))


NEW_VERSION = Verb(
    Need.PLAN, "Make the next version as a draft; what is not sent stays, but for the price.", _version, OfferChanged,
    status=201, clients=True,
)  # fmt: skip
PAPER = Verb(Need.PLAN, "File what the client signed on paper.", _on_paper, OnPaper, form=True, clients=True)
urlpatterns = [
    path("offers", listing(OFFERS, "Offers", "offers", Need.PLAN), name="offers"),
    path(
        "offers/<number:pk>",
        one_of(Doors(
            OFFERS, "an offer's draft", "offers", Need.PLAN, Need.PLAN, OfferChanged, _change, clients=True,
        )),
        name="offers_one",
    ),
    path("offers/<number:pk>/pricing", PricingView.as_view(), name="offers_pricing"),
    path(
        "offers/<number:pk>/document.pdf",
        file_of(OFFERS, "offers", File(Need.PLAN, "The offer to print.", PDF, _pdf, clients=True)),
        name="offers_pdf",
    ),
    path(
        "offers/<number:pk>/scan",
        file_of(OFFERS, "offers", File(
            Need.PLAN, "The signed paper.", "application/octet-stream", _scan, clients=True,
        )),
        name="offers_scan",
    ),
    path("offers/<number:pk>/versions", act(OFFERS, "offers", NEW_VERSION), name="offers_versions"),
    path(
        "offers/<number:pk>/issue",
        act(OFFERS, "offers", Verb(Need.PLAN, "Hand it to the client; from now on it never changes.", _issue,
                                   clients=True)),
        name="offers_issue",
    ),
    path(
        "offers/<number:pk>/withdraw",
        act(OFFERS, "offers", Verb(Need.PLAN, "Take it back, with the reason.", _withdraw, Why, clients=True)),
        name="offers_withdraw",
    ),
    path("offers/<number:pk>/paper", act(OFFERS, "offers", PAPER), name="offers_paper"),
    path("received-offers", listing(RECEIVED, "Offers and contracts received, the newest first",
                                    "received-offers", Need.PLAN), name="received"),
    path("received-offers/<number:pk>", single(RECEIVED, "One offer received", "received-offers", Need.PLAN),
         name="received_one"),
    path(
        "received-offers/<number:pk>/document.pdf",
        file_of(RECEIVED, "received-offers", File(Need.PLAN, "The offer as it came.", PDF, _received_pdf)),
        name="received_pdf",
    ),
    path(
        "received-offers/<number:pk>/answer",
        act(RECEIVED, "received-offers", Verb(
            Need.ADMIN, "Accept or decline by name, now. Accepting opens the properties for the promised work.",
            _answer, Answered,
        )),
        name="received_answer",
    ),
]  # fmt: skip
