"""Contracts in force: their heaters, changes and jobs, how they pay, what the maker should pay."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.urls import path
from rest_framework import serializers

from api.contract_shapes import (
    CHANGES,
    CLAIMS,
    CONTRACT_JOBS,
    CONTRACTS,
    SURVEYS,
    UNDER,
    ClaimChanged,
    ContractChangeShown,
    ContractJobGiven,
    ContractJobShown,
    Ended,
    HeaterNamed,
    SurveyShown,
    Why,
)
from api.door import ApiView
from api.operations import operation
from api.rows import Row
from api.usual import Doors, Verb, act, company_of, listing, one_of, single
from fleet.contracts import claims, paying, running
from fleet.contracts import survey as surveys
from fleet.contracts.models import Contract, ContractHeater, WarrantyClaim
from fleet.estate.access import Need
from fleet.estate.calendar import today_of
from fleet.heaters.models import Heater

WITH = ("offer__book", "offer__survey", "client", "organisation")


class KindPays(serializers.Serializer):
    kind = serializers.CharField()
    heaters = serializers.IntegerField()
    revenue = serializers.FloatField()
    cost = serializers.FloatField()
    priced = serializers.FloatField(help_text="Expected by now when it was priced")


class Bar(serializers.Serializer):
    low = serializers.FloatField()
    high = serializers.FloatField()
    share = serializers.FloatField()


class Taught(serializers.Serializer):
    ratio = serializers.FloatField(help_text="Cost against what was priced")
    factor = serializers.FloatField(help_text="How much that weighs, 0 to 1")
    weighed = serializers.FloatField(help_text="What the next price is multiplied by")
    sentence = serializers.CharField()


class Standing(serializers.Serializer):
    """How one contract pays up to today, in the money of its cost book."""

    contract_id = serializers.IntegerField()
    client_name = serializers.CharField()
    currency = serializers.CharField()
    today = serializers.DateField()
    elapsed_years = serializers.FloatField()
    first_year_price = serializers.CharField()
    revenue = serializers.FloatField()
    care_cost = serializers.FloatField()
    job_cost = serializers.FloatField()
    cost = serializers.FloatField()
    earned = serializers.FloatField()
    care_priced = serializers.FloatField(help_text="Expected by now when it was priced: promised care")
    jobs_priced = serializers.FloatField(help_text="And repairs, calls and replacements")
    priced_mean = serializers.FloatField(help_text="Both together")
    cheaper_share = serializers.FloatField(help_text="Share of priced futures whose jobs cost less by now")
    promised = serializers.IntegerField(help_text="Tasks promised by now")
    done = serializers.IntegerField()
    late = serializers.IntegerField(help_text="Done late, or not yet")
    jobs = serializers.IntegerField()
    came_in_time = serializers.IntegerField()
    kinds = KindPays(many=True)
    spread = Bar(many=True)
    sentence = serializers.CharField()


class StandingOfOne(Standing):
    experience = Taught()


class ClientPays(serializers.Serializer):
    client_name = serializers.CharField()
    revenue = serializers.FloatField()
    cost = serializers.FloatField()


class AllStanding(serializers.Serializer):
    items = Standing(many=True)
    clients = ClientPays(many=True)
    next = serializers.CharField(allow_null=True)


def _standing_row(found: paying.Standing) -> Row:
    contract = found.contract
    same = ("today", "elapsed_years", "revenue", "care_cost", "job_cost", "cost", "earned", "priced_mean", "care_priced", "jobs_priced",
            "promised", "done", "late", "came_in_time", "sentence")  # fmt: skip
    return {
        "contract_id": contract.pk,
        "client_name": str(contract.client),
        "currency": contract.offer.book.currency,
        "first_year_price": running.first_year_price(contract),
        "cheaper_share": found.place,
        "jobs": len(found.jobs),
        "kinds": [vars(kind) for kind in found.kinds],
        "spread": found.histogram,
        **{name: getattr(found, name) for name in same},
    }


class PayingView(ApiView):
    @operation(
        Need.PLAN, "How the newest hundred contracts pay, and the sums of each client.", gives=AllStanding,
        clients=True, tag="contracts",
    )  # fmt: skip
    def get(self, request: Any) -> HttpResponse:
        company_of(self)
        rows = Contract.objects.select_related(*WITH).defer("offer__survey__futures", "offer__scan")[:100]
        items = [_standing_row(paying.standing_of(row)) for row in rows]
        sums: dict[str, Row] = {}
        for item in items:
            name = item["client_name"]
            found = sums.setdefault(name, {"client_name": name, "revenue": 0.0, "cost": 0.0})
            found["revenue"] += item["revenue"]
            found["cost"] += item["cost"]
        return self.answer({"items": items, "clients": list(sums.values()), "next": None})


class StandingView(ApiView):
    @operation(
        Need.PLAN, "How one contract pays: promised against done, cost against price, luck or a wrong price.",
        gives=StandingOfOne, clients=True, tag="contracts",
    )  # fmt: skip
    def get(self, request: Any, pk: int) -> HttpResponse:
        CONTRACTS.one(pk)
        found = paying.standing_of(Contract.objects.select_related(*WITH).get(pk=pk))
        return self.answer(_standing_row(found) | {"experience": vars(paying.experience_of(found))})


class Uncovered(serializers.Serializer):
    heater_id = serializers.IntegerField()
    heater_tag = serializers.CharField()
    property_name = serializers.CharField()
    kind = serializers.CharField()


class UncoveredList(serializers.Serializer):
    items = Uncovered(many=True)
    next = serializers.CharField(allow_null=True)


class UncoveredView(ApiView):
    @operation(
        Need.PLAN, "Heaters in service at its properties for which nothing is promised, 200 at most.",
        gives=UncoveredList, clients=True, tag="contracts",
    )  # fmt: skip
    def get(self, request: Any, pk: int) -> HttpResponse:
        CONTRACTS.one(pk)
        rows = running.not_under_contract(Contract.objects.get(pk=pk))
        items = [
            {
                "heater_id": row.pk,
                "heater_tag": row.tag,
                "property_name": row.position.building.property.name,
                "kind": row.kind,
            }
            for row in rows
        ]
        return self.answer({"items": items, "next": None})


def _add(view: ApiView, row: Contract) -> HttpResponse:
    made = running.add_heater(row, view.given["heater_id"])
    return view.answer(CHANGES.one(made.pk), 201, {"Location": f"/api/v1/contract-changes/{made.pk}"})


def _remove(view: ApiView, row: ContractHeater) -> HttpResponse:
    if row.until is not None:
        raise running.ContractRefused("This heater has left the contract already.")
    made = running.remove_heater(row.contract, row, view.given["reason"])
    return view.answer(CHANGES.one(made.pk))


def _end(view: ApiView, row: Contract) -> None:
    day = view.given.get("day") or today_of(row.client)
    running.end_contract(row, day, view.given["reason"])


def _renew(view: ApiView, row: Contract) -> HttpResponse:
    """A new look at the same properties; its price will weigh what this contract has taught."""
    under = list(row.heaters.filter(until=None).values_list("heater_id", flat=True))
    places = Heater.objects.filter(pk__in=under).values_list("position__building__property_id", flat=True)
    note = f"Renewal of contract {row.offer.number}"
    found = surveys.begin_survey(row.organisation, set(places), max(row.offer.years, 3), note)
    surveys.request_working_out(found)
    return view.asked_for(SURVEYS.one(found.pk), f"/api/v1/surveys/{found.pk}")


class ContractJobsView(ApiView):
    @operation(
        Need.PLAN,
        "Unplanned jobs done under contracts, a page at a time.",
        lists=CONTRACT_JOBS,
        tag="contracts",
    )
    def get(self, request: Any) -> HttpResponse:
        return self.page(CONTRACT_JOBS)

    @operation(
        Need.WORK, "Enter a job; it is costed by the company's own book of today.", takes=ContractJobGiven,
        gives=ContractJobShown, status=201, tag="contracts",
    )  # fmt: skip
    def post(self, request: Any) -> HttpResponse:
        given = self.given
        made = paying.enter_job(
            given["contract_id"],
            given["heater_id"],
            given["what"],
            given["called_at"],
            given["came_at"],
            given["hours"],
            given["materials"],
            given.get("after_hours", False),
            given.get("words", ""),
        )
        return self.made(CONTRACT_JOBS, made.pk, request.path)


def _change_claim(view: ApiView, row: WarrantyClaim) -> None:
    given = view.given
    claims.change_claim(
        row, given.get("state", row.state), given.get("amount", row.amount), given.get("note", row.note)
    )


RENEW = Verb(
    Need.PLAN, "Begin a renewal: a new survey of the same properties. Then price it with `renews_id`.", _renew,
    gives=SurveyShown, status=202, clients=True,
)  # fmt: skip
ADD = Verb(
    Need.PLAN, "Take one more heater of the client in, priced by the rule.", _add, HeaterNamed,
    ContractChangeShown, 201, clients=True,
)  # fmt: skip
REMOVE = Verb(
    Need.PLAN, "Take a heater out, with the reason; the price falls by its part.", _remove, Why,
    ContractChangeShown, clients=True,
)  # fmt: skip
urlpatterns = [
    path("contracts", listing(CONTRACTS, "Contracts, the newest first", "contracts", Need.PLAN), name="contracts"),
    path("contracts/paying", PayingView.as_view(), name="contracts_paying"),
    path(
        "contracts/<number:pk>", single(CONTRACTS, "One contract", "contracts", Need.PLAN), name="contracts_one"
    ),
    path("contracts/<number:pk>/standing", StandingView.as_view(), name="contracts_standing"),
    path("contracts/<number:pk>/uncovered", UncoveredView.as_view(), name="contracts_uncovered"),
    path("contracts/<number:pk>/add-heater", act(CONTRACTS, "contracts", ADD), name="contracts_add"),
    path(
        "contracts/<number:pk>/end",
        act(CONTRACTS, "contracts", Verb(
            Need.PLAN, "End it before its term, with the reason.", _end, Ended, clients=True,
        )),
        name="contracts_end",
    ),
    path("contracts/<number:pk>/renew", act(CONTRACTS, "contracts", RENEW), name="contracts_renew"),
    path("contract-heaters", listing(UNDER, "Heaters under contract", "contracts", Need.PLAN), name="under"),
    path(
        "contract-heaters/<number:pk>", single(UNDER, "One heater under contract", "contracts", Need.PLAN),
        name="under_one",
    ),
    path("contract-heaters/<number:pk>/remove", act(UNDER, "contracts", REMOVE), name="under_remove"),
    path(
        "contract-changes", listing(CHANGES, "Changes of contracts, the newest first", "contracts", Need.PLAN),
        name="contract_changes",
    ),
    path(
        "contract-changes/<number:pk>", single(CHANGES, "One change of a contract", "contracts", Need.PLAN),
        name="contract_changes_one",
    ),
    path("contract-jobs", ContractJobsView.as_view(), name="contract_jobs"),
    path(
        "contract-jobs/<number:pk>", single(CONTRACT_JOBS, "One job under a contract", "contracts", Need.PLAN),
        name="contract_jobs_one",
    ),
    path("warranty-claims", listing(CLAIMS, "Warranty claims", "contracts", Need.PLAN), name="claims"),
    path(
        "warranty-claims/<number:pk>",
        one_of(Doors(CLAIMS, "a warranty claim", "contracts", Need.PLAN, Need.PLAN, ClaimChanged, _change_claim)),
        name="claims_one",
    ),
]  # fmt: skip
