"""Offers: the company's pages of its versions, and the client's pages of what it received."""

from __future__ import annotations

from typing import Any, cast

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_GET, require_POST

from fleet.contracts import document, offers, paying, pictures, pricing
from fleet.contracts.access_views import company_or_404
from fleet.contracts.models import Offer, ReceivedOffer
from fleet.estate.access import MemberRequest, Need, may, page
from fleet.pages import charts

PDF = "application/pdf"


def _offer(pk: int) -> Offer:
    rows = Offer.objects.select_related("client", "organisation", "survey", "book", "contract")
    found: Offer = get_object_or_404(rows.defer("survey__futures"), pk=pk)
    return found


@page(Need.PLAN)
@require_GET
def all_offers(request: HttpRequest) -> HttpResponse:
    company_or_404(request)
    rows = Offer.objects.select_related("client", "book").defer("paths", "scan", "priced")
    return render(request, "contracts/offers.html", {"offers": rows[:200]})


@page(Need.PLAN)
@require_GET
def offer(request: HttpRequest, pk: int) -> HttpResponse:
    row = _offer(pk)
    tops = sorted(row.priced["heaters"].items(), key=lambda item: -item[1][0])[:10]
    tags = dict(row.survey.lines.values_list("heater_id", "heater__tag"))
    values = {
        "offer": row,
        "content": row.content or document.content_of(row),
        "priced": row.priced,
        "top": [
            {"tag": tags.get(int(number), number), "price": parts[0], "cost": parts[1], "risk": parts[2]}
            for number, parts in tops
        ],
        "versions": Offer.objects.filter(number=row.number, organisation_id=row.organisation_id).defer(
            "paths", "scan", "priced"
        ),
        "contract": getattr(row, "contract", None),
        "may_plan": may(request, Need.PLAN),
    }
    return render(request, "contracts/offer.html", values)


@page(Need.PLAN)
@require_GET
def offer_pdf(request: HttpRequest, pk: int) -> HttpResponse:
    row = _offer(pk)
    return _pdf(
        document.pdf(row.content or document.content_of(row)), f"offer-{row.number}-{row.version}.pdf"
    )


def _pdf(content: bytes | memoryview, name: str, kind: str = PDF) -> HttpResponse:
    response = HttpResponse(bytes(content), content_type=kind)
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    response["X-Content-Type-Options"] = "nosniff"
    return response


@page(Need.PLAN)
@require_GET
@cache_control(private=True, max_age=300)
def picture(request: HttpRequest, pk: int) -> HttpResponse:
    """The priced distribution of the whole contract, with the price in it."""
    row = _offer(pk)
    if row.paths is None:
        raise Http404
    total = pricing.unpack_paths(row.paths).sum(axis=1)
    marks = [
        {"at": row.priced["quote"]["expected_cost"], "words": "expected cost"},
        {"at": row.priced["quote"]["revenue"], "words": "what it brings"},
    ]
    spec = pictures.priced_costs(
        paying.histogram(total), marks, row.book.currency, request.GET.get("narrow") == "1"
    )
    response = HttpResponse(charts.svg(spec), content_type="image/svg+xml")
    response["X-Content-Type-Options"] = "nosniff"
    return response


@page(Need.PLAN)
@require_GET
def scan(request: HttpRequest, pk: int) -> HttpResponse:
    row = _offer(pk)
    if row.scan is None:
        raise Http404
    return _pdf(row.scan, row.scan_name.replace('"', ""), row.scan_type)


@page(Need.PLAN)
@require_POST
def issue(request: HttpRequest, pk: int) -> HttpResponse:
    return _do(request, pk, lambda row: offers.issue_offer(row), "The offer is with the client.")


@page(Need.PLAN)
@require_POST
def withdraw(request: HttpRequest, pk: int) -> HttpResponse:
    why = request.POST.get("why", "")
    return _do(request, pk, lambda row: offers.withdraw_offer(row, why), "The offer is withdrawn.")


@page(Need.PLAN)
@require_POST
def on_paper(request: HttpRequest, pk: int) -> HttpResponse:
    given, file = request.POST, request.FILES.get("scan")
    if file is None:
        messages.error(request, "Choose the scan of the signed offer: a photo or a PDF.")
        return redirect("contracts:offer", pk)
    return _do(
        request,
        pk,
        lambda row: offers.file_on_paper(
            row,
            given.get("answer") == "accepted",
            given.get("name", ""),
            given.get("words", ""),
            file.name or "scan",
            file.read(),
        ),
        "Filed with the offer.",
    )


def _do(request: HttpRequest, pk: int, verb: Any, words: str) -> HttpResponse:
    try:
        verb(_offer(pk))
    except offers.OfferRefused as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, words)
    return redirect("contracts:offer", pk)


@page(Need.PLAN)
@require_GET
def received(request: HttpRequest) -> HttpResponse:
    """The client's list of offers and contracts."""
    rows = ReceivedOffer.objects.filter(organisation=cast(MemberRequest, request).organisation)
    return render(request, "contracts/received.html", {"offers": rows.defer("document")})


def _received(pk: int) -> ReceivedOffer:
    row: ReceivedOffer = get_object_or_404(ReceivedOffer.objects.select_related("organisation"), pk=pk)
    return row


@page(Need.PLAN)
@require_GET
def received_offer(request: HttpRequest, pk: int) -> HttpResponse:
    row = _received(pk)
    may_answer = may(request, Need.ADMIN) and row.state == Offer.State.ISSUED
    values = {"offer": row, "content": row.content, "may_answer": may_answer}
    return render(request, "contracts/received_offer.html", values)


@page(Need.PLAN)
@require_GET
def received_pdf(request: HttpRequest, pk: int) -> HttpResponse:
    row = _received(pk)
    return _pdf(row.document, f"offer-{row.number}-{row.version}.pdf")


@page(Need.ADMIN)
@require_POST
def answer(request: HttpRequest, pk: int) -> HttpResponse:
    """Accept or decline, by name and now; only the owner signs for the house."""
    given = request.POST
    if given.get("answer") not in ("accepted", "declined"):
        messages.error(request, "Choose to accept or to decline.")
        return redirect("contracts:received_offer", pk)
    try:
        row = offers.answer_offer(
            _received(pk), given["answer"] == "accepted", given.get("name", ""), given.get("words", "")
        )
    except offers.OfferRefused as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, f"The offer is {row.get_state_display()}.")
    return redirect("contracts:received_offer", pk)
