"""A company's surveys: begin one, note what is seen, work it out, try prices, keep one as an offer."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.http import HttpResponse
from django.urls import path

from api.contract_shapes import (
    LINES,
    OFFERS,
    SURVEYS,
    OfferGiven,
    OfferShown,
    Priced,
    PriceTried,
    Ruled,
    SeenOnSite,
    SurveyGiven,
    SurveyShown,
)
from api.door import ApiView
from api.operations import operation
from api.rows import Row
from api.usual import Verb, act, company_of, listing, single
from fleet.contracts import book as books
from fleet.contracts import offers, paying, pricing
from fleet.contracts import survey as verbs
from fleet.contracts.models import Contract, Offer, Survey, SurveyLine
from fleet.estate.access import Need
from fleet.estate.calendar import today_of

USUAL_DAYS = timedelta(days=30)  # from today to the start, and to the last day to accept
WISHES = ("level", "response", "years", "price_growth", "margin", "loss_chance", "care")


class SurveysView(ApiView):
    @operation(Need.READ, "Surveys, the newest first.", lists=SURVEYS, tag="surveys")
    def get(self, request: Any) -> HttpResponse:
        return self.page(SURVEYS)

    @operation(
        Need.PLAN, "Take all heaters in service at properties of one client into a survey, and work it out.",
        takes=SurveyGiven, gives=SurveyShown, status=202, clients=True, tag="surveys",
    )  # fmt: skip
    def post(self, request: Any) -> HttpResponse:
        given = self.given
        numbers = [place.pk for place in given["property_ids"]]
        years, note = given.get("horizon_years", 5), given.get("note", "")
        found = verbs.begin_survey(company_of(self), numbers, years, note)
        verbs.request_working_out(found)
        return self.asked_for(SURVEYS.one(found.pk), f"{request.path}/{found.pk}")


def _work_out(view: ApiView, row: Survey) -> HttpResponse:
    verbs.request_working_out(row)
    return view.asked_for(SURVEYS.one(row.pk), f"/api/v1/surveys/{row.pk}")


def _note(view: ApiView, row: SurveyLine) -> None:
    given = view.given
    seen = {name: given[name] for name in verbs.SEEN_ON_SITE if name in given}
    verbs.note_on_site(row, seen, given.get("condition", row.condition))


def _rule(view: ApiView, row: SurveyLine) -> None:
    verbs.rule_by_hand(row, view.given["verdict"], view.given["reason"])


# --- prices


def experience_of(renews: Contract | None) -> float:
    """What a contract has taught, for the price of the one that follows it."""
    return paying.experience_of(paying.standing_of(renews)).weighed if renews else 1.0


def wishes_from(given: Row, before: pricing.Wishes) -> pricing.Wishes:
    """What was sent; what was not stays as it was."""
    changed = {name: given[name] for name in WISHES if name in given}
    if "limit_a_year" in given:
        limit = given["limit_a_year"]
        changed["limit_a_year"] = None if limit is None else float(limit)
    return pricing.Wishes(**(vars(before) | changed))


def terms_from(given: Row, before: offers.Terms) -> offers.Terms:
    names = ("starts_on", "valid_until", "below_cost_reason", "exclusions")
    changed = {name: given[name] for name in names if name in given}
    return offers.Terms(**(vars(before) | changed | {"price": given.get("price")}))


def _usual(experience: float) -> pricing.Wishes:
    return pricing.Wishes(care=pricing.usual_care(), experience=experience)


def _of_the_client(survey: Survey, renews: Contract | None) -> Contract | None:
    if renews is not None and renews.client_id != survey.client_id:
        raise offers.OfferRefused("The contract to be followed is with another client than this survey.")
    return renews


def _price(view: ApiView, row: Survey) -> Row:
    given = view.given
    experience = experience_of(_of_the_client(row, given.get("renews_id")))
    book = books.ensure_book(row.organisation)
    asked = given.get("price")
    found = pricing.price(
        row, book, wishes_from(given, _usual(experience)), None if asked is None else float(asked)
    )
    return {
        "currency": book.currency,
        "illustrations": found.figures["illustrations"],
        "experience": experience,
        "priced": found.figures,
    }


def _draft(view: ApiView, row: Survey) -> HttpResponse:
    given = view.given
    renews: Contract | None = _of_the_client(row, given.get("renews_id"))
    today = today_of(row.client)
    made: Offer = offers.draft_offer(
        row,
        books.ensure_book(row.organisation),
        wishes_from(given, _usual(experience_of(renews))),
        terms_from(given, offers.Terms(today + USUAL_DAYS, today + USUAL_DAYS)),
        renews,
    )
    return view.made(OFFERS, made.pk, "/api/v1/offers")


urlpatterns = [
    path("surveys", SurveysView.as_view(), name="surveys"),
    path("surveys/<number:pk>", single(SURVEYS, "One survey", "surveys"), name="surveys_one"),
    path(
        "surveys/<number:pk>/work-out",
        act(SURVEYS, "surveys", Verb(Need.PLAN, "Look ahead and rule anew.", _work_out, status=202)),
        name="surveys_work_out",
    ),
    path(
        "surveys/<number:pk>/price",
        act(SURVEYS, "surveys", Verb(
            Need.PLAN, "Try a scope and a price. Nothing is kept.", _price, PriceTried, Priced, clients=True,
        )),
        name="surveys_price",
    ),
    path(
        "surveys/<number:pk>/offers",
        act(SURVEYS, "offers", Verb(
            Need.PLAN, "Keep a price as the draft of an offer.", _draft, OfferGiven, OfferShown, 201, clients=True,
        )),
        name="surveys_offer",
    ),
    path("survey-heaters", listing(LINES, "Heaters of surveys with their rulings", "surveys"), name="lines"),
    path("survey-heaters/<number:pk>", single(LINES, "One heater of a survey", "surveys"), name="lines_one"),
    path(
        "survey-heaters/<number:pk>/note",
        act(LINES, "surveys", Verb(
            Need.WORK, "Note what was seen at it; only the fields sent.", _note, SeenOnSite, clients=True,
        )),
        name="lines_note",
    ),
    path(
        "survey-heaters/<number:pk>/rule",
        act(LINES, "surveys", Verb(
            Need.PLAN, "Rule otherwise than the rules do, with a reason.", _rule, Ruled, clients=True,
        )),
        name="lines_rule",
    ),
]  # fmt: skip
