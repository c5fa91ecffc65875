"""Shapes of the plumbing company's surveys, offers and contracts. Money is text, shares are numbers: 0.2 = 20 %."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from api.estate import within
from api.rows import Filter, Rows
from api.shapes import (
    FromModel,
    Given,
    Known,
    Money,
    Shown,
    StrictChoice,
    StrictDay,
    StrictMoment,
    StrictNumber,
    StrictText,
    StrictWhole,
    StrictYes,
    number,
    text,
)
from fleet.contracts.models import (
    Contract,
    ContractChange,
    ContractHeater,
    ContractJob,
    Offer,
    ReceivedOffer,
    Survey,
    SurveyLine,
    WarrantyClaim,
)
from fleet.estate.models import Property
from fleet.heaters.models import Heater


def words_list(says: str = "") -> serializers.Field:
    return serializers.ListField(child=serializers.CharField(), read_only=True, help_text=says)


def _in(lookup: str, choices: Any) -> Filter:
    return Filter(lookup, serializers.ChoiceField(choices=choices), "In this state.")


class SurveyShown(Shown):
    client_id = number()
    client_name = text("client.name")
    job_id = number(nullable=True)
    figures = serializers.JSONField(read_only=True, help_text="What was found, once it is worked out")

    class Meta:
        model = Survey
        fields = ("id", "client_id", "client_name", "begun_on", "state", "error", "note", "horizon_years", "seed",
                  "engine_version", "figures", "job_id", "worked_out_at")  # fmt: skip


SURVEYS = Rows(
    "Survey",
    SurveyShown,
    lambda: Survey.objects.defer("futures"),
    {"state": _in("state", Survey.State.choices), "client_id": within("client_id", "At this client.")},
    newest_first=True,
)


class SurveyGiven(Given):
    property_ids = serializers.ListField(child=Known(Property), min_length=1, max_length=1000)
    horizon_years = StrictWhole(required=False, min_value=1, max_value=10, help_text="5, if not said")
    note = StrictText(required=False, allow_blank=True, max_length=5000)


class SurveyLineShown(Shown):
    survey_id = number()
    heater_id = number()
    heater_tag = text("heater.tag")
    reasons = words_list("Sentences that the client can read")
    missing = words_list("What is not on record")

    class Meta:
        model = SurveyLine
        fields = ("id", "survey_id", "heater_id", "heater_tag", "place", "no_access", "recalled", "out_of_code",
                  "condition", "verdict", "reasons", "missing", "by_hand", "hand_reason", "fail_chance",
                  "age_years")  # fmt: skip


LINES = Rows(
    "SurveyLine",
    SurveyLineShown,
    lambda: SurveyLine.objects.all(),
    {
        "survey_id": within("survey_id", "Of this survey."),
        "heater_id": within("heater_id", "Of this heater."),
        "verdict": Filter(
            "verdict", serializers.ChoiceField(choices=SurveyLine.Verdict.choices), "Ruled so."
        ),
    },
)


class SeenOnSite(Given):
    no_access = StrictYes(required=False)
    recalled = StrictYes(required=False)
    out_of_code = StrictYes(required=False)
    condition = StrictText(required=False, allow_blank=True, max_length=300)


class Ruled(Given):
    verdict = StrictChoice(choices=SurveyLine.Verdict.choices)
    reason = StrictText(max_length=300, help_text="The client reads it")


class Wished(Given):
    """What the company would promise, and what it wants for it."""

    level = StrictChoice(choices=Offer.Level.choices, required=False)
    response = StrictChoice(choices=Offer.Response.choices, required=False)
    years = StrictWhole(required=False, min_value=1, max_value=10)
    price_growth = StrictNumber(required=False, min_value=0, max_value=0.3, help_text="A year: 0.03 = 3 %")
    limit_a_year = Money(
        required=False, allow_null=True, min_value=0, max_digits=10, help_text="Of replacements; null: none"
    )
    margin = StrictNumber(required=False, min_value=0, max_value=0.9)
    loss_chance = StrictNumber(
        required=False, min_value=0.01, max_value=0.5, help_text="Chance of a loss that is borne"
    )
    care = serializers.DictField(
        child=StrictWhole(min_value=1, max_value=240), required=False, help_text="Task kind -> months between"
    )
    price = Money(
        required=False,
        allow_null=True,
        min_value=0,
        max_digits=10,
        help_text="Of the first contract year; none: the one that margin and chance of loss ask for",
    )


class PriceTried(Wished):
    renews_id = Known(Contract, required=False, allow_null=True, help_text="Weigh what it has taught")


class Termed(Wished):
    starts_on = StrictDay(required=False, help_text="In 30 days, if not said")
    valid_until = StrictDay(required=False, help_text="Last day to accept; in 30 days, if not said")
    below_cost_reason = StrictText(required=False, allow_blank=True, max_length=300)
    exclusions = StrictText(required=False, allow_blank=True, max_length=5000)


class OfferGiven(Termed):
    renews_id = Known(Contract, required=False, allow_null=True, help_text="The contract that it follows")


class OfferChanged(Termed):
    """What is not sent stays, but for the price: that is worked out anew."""


class Priced(serializers.Serializer):
    currency = serializers.CharField()
    illustrations = serializers.IntegerField(help_text="Figures of the cost book that nobody entered yet")
    experience = serializers.FloatField(help_text="What the priced costs were multiplied by")
    priced = serializers.JSONField(
        help_text="quote, expected, scopes, clauses, selection, water, heaters, years"
    )


class OfferShown(Shown):
    survey_id = number()
    client_id = number()
    client_name = text("client.name")
    currency = text("book.currency")
    renews_id = number(nullable=True)
    contract_id = number("contract.id", nullable=True)
    care = serializers.DictField(
        child=serializers.IntegerField(), read_only=True, help_text="Task kind -> months between"
    )

    class Meta:
        model = Offer
        fields = ("id", "survey_id", "client_id", "client_name", "number", "version", "renews_id", "contract_id",
                  "state", "level", "response", "starts_on", "years", "currency", "price", "price_growth",
                  "limit_a_year", "margin", "loss_chance", "below_cost_reason", "care", "exclusions", "valid_until",
                  "issued_at", "issued_by", "answered_at", "answered_by", "answer", "on_paper",
                  "scan_name")  # fmt: skip


OFFERS = Rows(
    "Offer",
    OfferShown,
    lambda: Offer.objects.defer("paths", "scan"),
    {
        "state": _in("state", Offer.State.choices),
        "client_id": within("client_id", "To this client."),
        "survey_id": within("survey_id", "From this survey."),
        "number": within("number", "Versions of this offer."),
    },
    newest_first=True,
)


class OfferPricing(serializers.Serializer):
    priced = serializers.JSONField(help_text="How the price came about; for the company alone")
    content = serializers.JSONField(help_text="What the client is told")
    spread = serializers.JSONField(
        help_text="The priced cost of the whole contract: low, high, share of the paths"
    )


class Why(Given):
    reason = StrictText(max_length=300, help_text="The other side reads it")


class Answered(Given):
    answer = StrictChoice(choices=["accepted", "declined"])
    name = StrictText(max_length=150, help_text="Who answers for the client")
    words = StrictText(required=False, allow_blank=True, max_length=300)


class OnPaper(Answered):
    file = serializers.FileField(help_text="The scan: a photo or a PDF")


class ReceivedShown(Shown):
    content = serializers.JSONField(read_only=True, help_text="Everything that is offered, as plain values")

    class Meta:
        model = ReceivedOffer
        fields = ("id", "company_name", "number", "version", "state", "content", "received_at", "valid_until",
                  "answered_at", "answered_by", "answer", "on_paper", "ended_on", "ended_because")  # fmt: skip


RECEIVED = Rows(
    "ReceivedOffer",
    ReceivedShown,
    lambda: ReceivedOffer.objects.defer("document"),
    {"state": _in("state", Offer.State.choices)},
    newest_first=True,
)


class HeldBack(serializers.Serializer):
    heater = serializers.IntegerField()
    kind = serializers.CharField()
    why = serializers.CharField()


class ContractShown(Shown):
    offer_id = number()
    offer_number = number("offer.number")
    client_id = number()
    client_name = text("client.name")
    currency = text("offer.book.currency")
    held = HeldBack(many=True, read_only=True, help_text="Care that cannot be promised, and why")

    class Meta:
        model = Contract
        fields = ("id", "offer_id", "offer_number", "client_id", "client_name", "state", "starts_on", "ends_on",
                  "ended_because", "currency", "held")  # fmt: skip


CONTRACTS = Rows(
    "Contract",
    ContractShown,
    lambda: Contract.objects.all(),
    {"state": _in("state", Contract.State.choices), "client_id": within("client_id", "With this client.")},
    newest_first=True,
)
OF_CONTRACT = within("contract_id", "Of this contract.")


class UnderShown(Shown):
    contract_id = number()
    heater_id = number()
    heater_tag = text("heater.tag")

    class Meta:
        model = ContractHeater
        fields = ("id", "contract_id", "heater_id", "heater_tag", "since", "until", "replaced", "price_a_year",
                  "left_because")  # fmt: skip


UNDER = Rows(
    "ContractHeater",
    UnderShown,
    lambda: ContractHeater.objects.all(),
    {
        "contract_id": OF_CONTRACT,
        "heater_id": within("heater_id", "Of this heater."),
        "now": Filter("until__isnull", serializers.BooleanField(), "Under contract now, or no longer."),
    },
)


class ContractChangeShown(Shown):
    contract_id = number()
    heater_id = number(nullable=True)

    class Meta:
        model = ContractChange
        fields = ("id", "contract_id", "day", "what", "heater_id", "words", "price_before", "price_after", "made_by",
                  "made_at")  # fmt: skip


CHANGES = Rows(
    "ContractChange",
    ContractChangeShown,
    lambda: ContractChange.objects.all(),
    {"contract_id": OF_CONTRACT},
    newest_first=True,
)


class ContractJobShown(Shown):
    contract_id = number()
    heater_id = number()
    heater_tag = text("heater.tag")

    class Meta:
        model = ContractJob
        fields = ("id", "contract_id", "heater_id", "heater_tag", "what", "called_at", "came_at", "hours",
                  "materials", "after_hours", "cost", "words", "entered_by")  # fmt: skip


CONTRACT_JOBS = Rows(
    "ContractJob",
    ContractJobShown,
    lambda: ContractJob.objects.all(),
    {"contract_id": OF_CONTRACT, "heater_id": within("heater_id", "At this heater.")},
    newest_first=True,
)


class ContractJobGiven(Given):
    contract_id = Known(Contract)
    heater_id = Known(Heater)
    what = StrictChoice(choices=ContractJob.What.choices)
    called_at = StrictMoment()
    came_at = StrictMoment()
    hours = Money(max_digits=6, min_value=0, max_value=200)
    materials = Money(min_value=0, max_value=1_000_000)
    after_hours = StrictYes(required=False)
    words = StrictText(required=False, allow_blank=True, max_length=300)


class ClaimShown(Shown):
    contract_id = number()
    heater_id = number()
    heater_tag = text("heater.tag")

    class Meta:
        model = WarrantyClaim
        fields = ("id", "contract_id", "heater_id", "heater_tag", "words", "state", "amount", "note",
                  "changed_at")  # fmt: skip


CLAIMS = Rows(
    "WarrantyClaim",
    ClaimShown,
    lambda: WarrantyClaim.objects.all(),
    {"contract_id": OF_CONTRACT, "state": _in("state", WarrantyClaim.State.choices)},
)


class ClaimChanged(FromModel):
    class Meta:
        model = WarrantyClaim
        fields = ("state", "amount", "note")


class HeaterNamed(Given):
    heater_id = Known(Heater)


class Ended(Given):
    day = StrictDay(required=False, help_text="Its last day; today, if not said")
    reason = StrictText(max_length=300)
