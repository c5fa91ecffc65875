"""The company's survey pages: begin, see every heater and its ruling, note what is seen, work it out, try prices."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from fleet.care.kinds import task_kinds
from fleet.contracts import book as books
from fleet.contracts import offers, paying, pricing, reading
from fleet.contracts import survey as verbs
from fleet.contracts.access_views import company_or_404
from fleet.contracts.models import Contract, Offer, Survey, SurveyLine
from fleet.estate.access import Need, may, page
from fleet.estate.calendar import today_of
from fleet.estate.choice_fields import WhereForm, some_properties
from fleet.estate.choosing import Properties
from fleet.estate.grants import clients_of
from fleet.estate.models import Organisation, Property
from fleet.estate.row_numbers import row_number
from fleet.heaters.models import Heater

PER_LEAF = 50


def _survey(pk: int) -> Survey:
    rows = Survey.objects.select_related("client", "organisation", "job").defer("futures")
    found: Survey = get_object_or_404(rows, pk=pk)
    return found


@dataclass(frozen=True)
class Start:
    """The form that begins a survey of one client, with what was typed into it."""

    client: Organisation
    where: WhereForm
    sent: bool

    def chosen(self) -> list[int]:
        if self.where.problems:
            raise verbs.SurveyRefused(self.where.problems["properties"])
        return [row.pk for row in self.where.chosen or []]


def _start(client: Organisation, rows: Properties, request: HttpRequest) -> Start:
    field = some_properties(f"Properties of {client}", rows, all_first=True)
    sent = request.POST.get("client") == str(client.pk)
    where = WhereForm(request.POST if sent else None, "properties", field, auto_id=f"of_{client.pk}_%s")
    return Start(client, where, sent)


@page(Need.PLAN, clients_in_sight=True)
def surveys(request: HttpRequest) -> HttpResponse:
    """Surveys so far, and the form that begins one."""
    company = company_or_404(request)
    problem = ""
    opened = [
        (client.organisation, Property.objects.filter(pk__among=list(client.properties)))
        for client in clients_of(company)
    ]
    starts = [_start(client, rows, request) for client, rows in opened if rows.exists()]
    if request.method == "POST":
        try:
            chosen = next((start.chosen() for start in starts if start.sent), [])
            years = int(reading.number(request.POST, "years", "Years ahead", 5))
            found = verbs.begin_survey(company, chosen, years, request.POST.get("note", ""))
            verbs.request_working_out(found)
        except (verbs.SurveyRefused, reading.NotUnderstood) as refused:
            problem = str(refused)
        else:
            return redirect("contracts:survey", found.pk)
    values = {
        "surveys": Survey.objects.select_related("client").defer("futures")[:50],
        "starts": starts,
        "problem": problem,
    }
    return render(request, "contracts/surveys.html", values, status=422 if problem else 200)


@page(Need.READ)
@require_GET
@never_cache
def survey(request: HttpRequest, pk: int) -> HttpResponse:
    row = _survey(pk)
    lines = SurveyLine.objects.filter(survey=row).select_related("heater").order_by("place", "id")
    counts = {verdict: lines.filter(verdict=verdict).count() for verdict in SurveyLine.Verdict.values}
    asked = request.GET.get("verdict", "")
    shown = lines.filter(verdict=asked) if asked in SurveyLine.Verdict.values else lines
    values = {
        "survey": row,
        "leaf": Paginator(shown, PER_LEAF).get_page(request.GET.get("page")),
        "counts": [(label, value, counts[value]) for value, label in SurveyLine.Verdict.choices],
        "total": sum(counts.values()),
        "missing": sum(1 for found in lines.values_list("missing", flat=True) if found),
        "waiting": row.state == Survey.State.WAITING,
        "may_plan": may(request, Need.PLAN),
        "stands": verbs.offer_on(row),
        "offers": row.offers.defer("paths", "scan").order_by("-id"),
    }
    return render(request, "contracts/survey.html", values)


@page(Need.PLAN)
@require_POST
def work_out(request: HttpRequest, pk: int) -> HttpResponse:
    try:
        verbs.request_working_out(_survey(pk))
    except verbs.SurveyRefused as refused:
        messages.error(request, str(refused))
    return redirect("contracts:survey", pk)


@page(Need.WORK, clients_in_sight=True)
def line(request: HttpRequest, pk: int) -> HttpResponse:
    """One heater of a survey, on a phone beside it."""
    row: SurveyLine = get_object_or_404(
        SurveyLine.objects.select_related("heater", "survey__client", "survey__organisation"), pk=pk
    )
    if request.method == "POST":
        seen = {name: bool(request.POST.get(name)) for name in verbs.SEEN_ON_SITE}
        verbs.note_on_site(row, seen, request.POST.get("condition", ""))
        messages.success(request, f"{row.heater.tag}: noted.")
        return redirect("contracts:survey_line", pk)
    in_sight = Heater.objects.filter(pk=row.heater_id).exists()
    values = {
        "line": row,
        "in_sight": in_sight,
        "verdicts": SurveyLine.Verdict.choices,
        "may_plan": may(request, Need.PLAN),
    }
    return render(request, "contracts/line.html", values)


@page(Need.PLAN, clients_in_sight=True)
@require_POST
def rule(request: HttpRequest, pk: int) -> HttpResponse:
    row: SurveyLine = get_object_or_404(SurveyLine.objects.select_related("heater", "survey"), pk=pk)
    try:
        verbs.rule_by_hand(row, request.POST.get("verdict", ""), request.POST.get("reason", ""))
    except verbs.SurveyRefused as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, f"{row.heater.tag}: {row.get_verdict_display()}.")
    return redirect("contracts:survey_line", pk)


@page(Need.PLAN, clients_in_sight=True)
def price(request: HttpRequest, pk: int) -> HttpResponse:
    """Try scopes and prices (reading only), then keep one as a draft offer or a new version."""
    row: Survey = get_object_or_404(Survey.objects.select_related("client", "organisation"), pk=pk)
    given = request.POST if request.method == "POST" else request.GET
    today = today_of(row.client)
    starts, valid = today + timedelta(days=30), today + timedelta(days=30)
    version_of = _offer(given.get("version_of", ""), row)
    renews = _contract(given.get("renews", ""), row)
    experience = paying.experience_of(paying.standing_of(renews)) if renews else None
    values: dict[str, Any] = {
        "survey": row,
        "today": today,
        "given": given,
        "starts": starts,
        "valid": valid,
        "version_of": version_of,
        "renews": renews,
        "experience": experience,
        "problem": "",
        "levels": Offer.Level.choices,
        "responses": Offer.Response.choices,
        "book": books.ensure_book(row.organisation),
    }
    status = 200
    try:
        asked = reading.wishes(
            given, given.getlist("care"), "level" in given, experience.weighed if experience else 1.0
        )
        values["wishes"] = asked
        terms = reading.terms(given, starts, valid)
        if request.method == "POST" and given.get("do") != "try":
            made = _keep(row, values, asked, terms)
            messages.success(request, f"Kept as {made}. Look it over, then issue it.")
            return redirect("contracts:offer", made.pk)
        typed = None if terms.price is None else float(terms.price)
        values["priced"] = pricing.price(row, values["book"], asked, typed)
        values["top"] = _top(values["priced"])
    except (reading.NotUnderstood, pricing.PricingRefused, offers.OfferRefused) as refused:
        values["problem"], status = str(refused), 422
        values.setdefault("wishes", pricing.Wishes(care=pricing.usual_care()))
    values["care"] = _care_rows(values["wishes"])
    return render(request, "contracts/price.html", values, status=status)


def _keep(row: Survey, values: dict[str, Any], asked: pricing.Wishes, terms: offers.Terms) -> Offer:
    if (old := values["version_of"]) is not None:
        return offers.new_version(old, values["book"], asked, terms)
    return offers.draft_offer(row, values["book"], asked, terms, values["renews"])


def _offer(text: str, survey: Survey) -> Offer | None:
    if not text:
        return None
    found: Offer = get_object_or_404(Offer.objects.filter(survey=survey), pk=row_number(text))
    return found


def _contract(text: str, survey: Survey) -> Contract | None:
    if not text:
        return None
    rows = Contract.objects.filter(client_id=survey.client_id).select_related(
        "offer__book", "client", "organisation"
    )
    found: Contract = get_object_or_404(rows, pk=row_number(text))
    return found


def _care_rows(wishes: pricing.Wishes) -> list[dict[str, Any]]:
    return [
        {
            "code": code,
            "name": kind.name,
            "chosen": code in wishes.care,
            "months": wishes.care.get(code, kind.interval_months),
        }
        for code, kind in task_kinds().items()
    ]


def _top(priced: pricing.Priced) -> list[dict[str, Any]]:
    rows = sorted(priced.figures["heaters"].items(), key=lambda item: -item[1][0])[:10]
    tags = pricing.heater_words([int(number) for number, _ in rows])
    return [
        {"tag": tags.get(int(number), number), "price": parts[0], "cost": parts[1], "risk": parts[2]}
        for number, parts in rows
    ]
