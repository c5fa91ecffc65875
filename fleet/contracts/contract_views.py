"""The company's contracts: how each pays, its heaters and changes, jobs done, warranty claims, prices of its own."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_GET, require_POST

from fleet.contracts import book as books
from fleet.contracts import claims, paying, pictures, reading, rounds, running
from fleet.contracts import survey as surveys
from fleet.contracts.access_views import company_or_404
from fleet.contracts.models import CompanyBook, Contract, ContractHeater, ContractJob, WarrantyClaim
from fleet.estate.access import Need, may, page
from fleet.estate.calendar import today_of
from fleet.estate.row_numbers import row_number
from fleet.heaters.models import Heater
from fleet.pages import charts, typed_numbers

PER_LEAF = 100


def _contracts() -> Any:
    return Contract.objects.select_related("offer__book", "offer__survey", "client", "organisation").defer(
        "offer__survey__futures", "offer__scan"
    )


def _contract(pk: int) -> Contract:
    found: Contract = get_object_or_404(_contracts(), pk=pk)
    return found


@page(Need.PLAN, clients_in_sight=True)
@require_GET
def contracts(request: HttpRequest) -> HttpResponse:
    """Every contract and what it has brought and cost; sums by client and by kind of heater."""
    company_or_404(request)
    rows = [paying.standing_of(row) for row in _contracts()[:100]]
    by_client: dict[str, list[float]] = {}
    by_kind: dict[str, paying.KindRow] = {}
    for row in rows:
        sums = by_client.setdefault(str(row.contract.client), [0.0, 0.0])
        sums[0] += row.revenue
        sums[1] += row.cost
        for kind in row.kinds:
            found = by_kind.setdefault(kind.kind, paying.KindRow(kind.kind))
            found.heaters += kind.heaters
            found.revenue += kind.revenue
            found.cost += kind.cost
            found.priced += kind.priced
    values = {
        "rows": rows,
        "clients": [(name, *sums, sums[0] - sums[1]) for name, sums in sorted(by_client.items())],
        "kinds": sorted(by_kind.values(), key=lambda one: -one.cost),
        "currency": rows[0].contract.offer.book.currency if rows else "USD",
    }
    return render(request, "contracts/contracts.html", values)


@page(Need.PLAN, clients_in_sight=True)
@require_GET
def contract(request: HttpRequest, pk: int) -> HttpResponse:
    row = _contract(pk)
    found = paying.standing_of(row)
    live = row.heaters.filter(until=None).select_related("heater").order_by("id")
    held_tags = dict(
        row.heaters.filter(heater_id__in=[one["heater"] for one in row.held]).values_list(
            "heater_id", "heater__tag"
        )
    )
    leaf = Paginator(live, PER_LEAF).get_page(request.GET.get("page"))
    shown = [under.heater_id for under in leaf]
    values = {
        "contract": row,
        "in_sight": set(Heater.objects.filter(pk__in=shown).values_list("pk", flat=True)),
        "standing": found,
        "experience": paying.experience_of(found),
        "currency": row.offer.book.currency,
        "leaf": leaf,
        "first_year_price": running.first_year_price(row),
        "changes": row.changes.all()[:50],
        "held": [one | {"tag": held_tags.get(one["heater"], one["heater"])} for one in row.held],
        "others": running.not_under_contract(row),
        "job_kinds": ContractJob.What.choices,
        "claims": row.claims.select_related("heater"),
        "open_work": rounds.may_work_at(row),
        "may_plan": may(request, Need.PLAN),
        "is_running": row.state == Contract.State.RUNNING,
    }
    return render(request, "contracts/contract.html", values)


@page(Need.PLAN, clients_in_sight=True)
@require_GET
@cache_control(private=True, max_age=60)
def picture(request: HttpRequest, pk: int) -> HttpResponse:
    """The priced distribution of the cost so far, and where the real cost stands in it."""
    row = _contract(pk)
    found = paying.standing_of(row)
    marks = [
        {"at": found.cost, "words": "cost so far"},
        {"at": found.revenue, "words": "brought so far"},
    ]
    spec = pictures.priced_costs(
        found.histogram, marks, row.offer.book.currency, request.GET.get("narrow") == "1"
    )
    response = HttpResponse(charts.svg(spec), content_type="image/svg+xml")
    response["X-Content-Type-Options"] = "nosniff"
    return response


REFUSALS = (
    running.ContractRefused,
    paying.JobRefused,
    reading.NotUnderstood,
    claims.ClaimRefused,
    surveys.SurveyRefused,
)


@page(Need.WORK)
@require_POST
def enter_job(request: HttpRequest, pk: int) -> HttpResponse:
    """A job done under the contract: by whoever did it, so with work granted at the client."""
    row, given = _contract(pk), request.POST
    try:
        heater = _tagged(row, given.get("tag", ""))
        zone = heater.position.building.property.time_zone
        paying.enter_job(
            row,
            heater,
            given.get("what", ""),
            reading.moment(given, "called_at", "Called", zone),
            reading.moment(given, "came_at", "Came", zone),
            reading.money(given, "hours", "Hours") or 0,  # type: ignore[arg-type]
            reading.money(given, "materials", "Materials") or 0,  # type: ignore[arg-type]
            bool(given.get("after_hours")),
            given.get("words", ""),
        )
    except REFUSALS as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, "The job is entered.")
    return redirect("contracts:contract" if may(request, Need.PLAN) else "care:queue", *_args(request, pk))


def _tagged(row: Contract, tag: str) -> Heater:
    """The heater of the contract with this tag; one that left is found too, since its job may be entered late."""
    numbers = row.heaters.filter(heater__tag__iexact=tag.strip()).values_list("heater_id", flat=True)
    found: Heater | None = (
        Heater.objects.filter(pk__in=list(numbers)).select_related("position__building__property").first()
    )
    if found is None:
        raise reading.NotUnderstood(f"Heater: none of this contract that is open to you has the tag {tag!r}.")
    return found


def _args(request: HttpRequest, pk: int) -> list[int]:
    return [pk] if may(request, Need.PLAN) else []


@page(Need.PLAN, clients_in_sight=True)
@require_POST
def add_heater(request: HttpRequest, pk: int) -> HttpResponse:
    tag = request.POST.get("tag", "").strip()

    def add(row: Contract) -> None:
        found = running.not_under_contract(row, 1, tag) if tag else []
        if not found:
            raise reading.NotUnderstood(
                f"Heater: none in service at this contract's properties has the tag {tag!r} and is not under contract."
            )
        running.add_heater(row, found[0])

    return _do(request, pk, add, "Added; the price follows the rule.")


@page(Need.PLAN, clients_in_sight=True)
@require_POST
def remove_heater(request: HttpRequest, pk: int) -> HttpResponse:
    number = request.POST.get("row", "")
    under: ContractHeater = get_object_or_404(
        ContractHeater.objects.filter(contract_id=pk, until=None).select_related("heater"),
        pk=row_number(number),
    )
    reason = request.POST.get("reason", "")
    return _do(
        request,
        pk,
        lambda row: running.remove_heater(row, under, reason),
        "Removed; the price follows the rule.",
    )


@page(Need.PLAN, clients_in_sight=True)
@require_POST
def end(request: HttpRequest, pk: int) -> HttpResponse:
    given = request.POST
    return _do(
        request,
        pk,
        lambda row: running.end_contract(
            row, reading.day(given, "day", "Last day", today_of(row.client)), given.get("why", "")
        ),
        "The contract ends; its promises are withdrawn.",
    )


@page(Need.PLAN, clients_in_sight=True)
@require_POST
def renew(request: HttpRequest, pk: int) -> HttpResponse:
    """A new look at the same properties; its price will weigh what this contract has taught."""
    row = _contract(pk)
    under = row.heaters.filter(until=None).values_list("heater_id", flat=True)
    places = Heater.objects.filter(pk__in=list(under)).values_list(
        "position__building__property_id", flat=True
    )
    try:
        found = surveys.begin_survey(
            row.organisation, set(places), max(row.offer.years, 3), f"Renewal of contract {row.offer.number}"
        )
        surveys.request_working_out(found)
    except REFUSALS as refused:
        messages.error(request, str(refused))
        return redirect("contracts:contract", pk)
    messages.success(
        request, "The renewal's survey is being worked out. Then price it with this contract's experience."
    )
    return redirect(f"/surveys/{found.pk}/?renews={pk}")


def _do(request: HttpRequest, pk: int, verb: Any, words: str) -> HttpResponse:
    try:
        verb(_contract(pk))
    except REFUSALS as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, words)
    return redirect("contracts:contract", pk)


@page(Need.PLAN)
@require_GET
def all_claims(request: HttpRequest) -> HttpResponse:
    company_or_404(request)
    rows = WarrantyClaim.objects.select_related("contract__client", "contract__offer", "heater")
    values = {"claims": rows.order_by("state", "id"), "states": WarrantyClaim.State.choices}
    return render(request, "contracts/claims.html", values)


@page(Need.PLAN)
@require_POST
def change_claim(request: HttpRequest, pk: int) -> HttpResponse:
    row: WarrantyClaim = get_object_or_404(WarrantyClaim.objects.select_related("heater"), pk=pk)
    given = request.POST
    try:
        claims.change_claim(
            row, given.get("state", ""), reading.money(given, "amount", "Amount"), given.get("note", "")
        )
    except REFUSALS as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, f"{row.heater.tag}: {row.get_state_display()}.")
    return redirect("contracts:claims")


def _figure(name: str, typed: str) -> tuple[tuple[str, str], str]:
    """One field of the cost book as the verb takes it; a share is asked in per cent."""
    item, subject = name.split("|", 1)
    percent = item in books.BY_NAME and books.BY_NAME[item].is_share and typed.strip()
    return (item, subject), f"{typed.rstrip('% ')} %" if percent else typed


def _percents_read_as(book: CompanyBook, request: HttpRequest) -> list[str]:
    """What small shares that were newly typed without a per cent sign were read as."""
    found = []
    for row in book.prices.filter(subject="", item__in=[item.name for item in books.ITEMS if item.is_share]):
        item, typed = books.BY_NAME[row.item], request.POST.get(f"{row.item}|", "")
        if typed.strip() and not typed_numbers.same(str(item.shown(row.amount)), typed):
            found.append(typed_numbers.read_as(item.label, typed))
    return [words for words in found if words]


@page(Need.PLAN)
def prices(request: HttpRequest) -> HttpResponse:
    """The company's own costs: what every price stands on."""
    company = company_or_404(request)
    problems: list[str] = []
    if request.method == "POST":
        read_as = _percents_read_as(books.ensure_book(company), request)
        written = dict(_figure(name, str(value)) for name, value in request.POST.items() if "|" in name)
        try:
            books.save_book(company, written, request.POST.get("source", "").strip())
        except books.BookRefused as refused:
            problems = refused.problems
        else:
            for words in read_as:
                messages.warning(request, words)
            messages.success(request, "Saved. Offers made from now on stand on these figures.")
            return redirect("contracts:prices")
    book = books.ensure_book(company)
    rows = {(row.item, row.subject): row for row in book.prices.all()}
    groups = []
    for item in books.ITEMS:
        entries: list[dict[str, Any]] = [
            {
                "name": f"{item.name}|{subject}",
                "label": words or item.label,
                "row": rows[(item.name, subject)],
            }
            for subject, words in books.subjects_of(item)
            if (item.name, subject) in rows
        ]
        for entry in entries:
            typed = request.POST.get(str(entry["name"]))
            kept = item.shown(entry["row"].amount).normalize()
            entry["shown"] = typed if problems and typed is not None else kept
        groups.append({"item": item, "unit": item.asked_in(book.currency), "entries": entries})
    values = {
        "book": book,
        "groups": groups,
        "problems": problems,
        "percent_is_percent": typed_numbers.PERCENT_IS_PERCENT,
    }
    return render(request, "contracts/prices.html", values, status=422 if problems else 200)
