"""Reports for the owners' meeting and the links by which they are shared; looks back at a plan's year."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpResponse
from django.urls import path
from rest_framework import serializers

from api.capital import done_plan
from api.door import ApiView
from api.estate import within
from api.operations import operation
from api.planning_shapes import CAPITALS
from api.rows import Filter, Rows
from api.shapes import Given, Known, Money, Shown, StrictText, StrictWhole, number
from api.usual import PDF, XLSX, File, Verb, act, file_of, listing, single
from fleet.estate.access import Need
from fleet.estate.models import Property
from fleet.estate.pages_address import pages_address
from fleet.planning import reports, reviews
from fleet.planning.capital_rows import CapitalPlan
from fleet.planning.models import PlanReview
from fleet.planning.report_rows import PlanReport, SharedLink


class ReportShown(Shown):
    plan_id = number()
    job_id = number(nullable=True)
    content = serializers.JSONField(
        read_only=True, allow_null=True, help_text="What it says, as plain values"
    )

    class Meta:
        model = PlanReport
        fields = ("id", "plan_id", "state", "error", "content", "job_id", "created_at", "finished_at")


REPORTS = Rows(
    "PlanReport",
    ReportShown,
    lambda: PlanReport.objects.defer("pdf", "xlsx"),
    {
        "plan_id": within("plan_id", "On this capital plan."),
        "state": Filter("state", serializers.ChoiceField(choices=PlanReport.State.choices), "In this state."),
    },
    newest_first=True,
)


def _ask(view: ApiView, row: CapitalPlan) -> HttpResponse:
    made = reports.request_report(row)
    return view.asked_for(REPORTS.one(made.pk), f"/api/v1/plan-reports/{made.pk}")


def _file(row: PlanReport, kind: str) -> tuple[bytes, str] | None:
    content = getattr(row, kind)
    if row.state != PlanReport.State.DONE or content is None:
        return None
    return bytes(content), f"water-heater-plan-{(row.content or {}).get('as_of', row.pk)}.{kind}"


class LinkShown(Shown):
    report_id = number()

    class Meta:
        model = SharedLink
        fields = ("id", "report_id", "words", "created_at", "expires_at", "revoked_at", "opened")


LINKS = Rows(
    "SharedLink",
    LinkShown,
    lambda: SharedLink.objects.all(),
    {"report_id": within("report_id", "To this report.")},
    newest_first=True,
)


class LinkGiven(Given):
    days = StrictWhole(
        required=False, min_value=1, max_value=reports.LONGEST_DAYS, help_text="30, if not said"
    )
    words = StrictText(required=False, allow_blank=True, max_length=120, help_text="For whom")


class LinkMade(serializers.Serializer):
    link = LinkShown()
    address = serializers.CharField(help_text="Shown this once; whoever has it reads the report")


def _share(view: ApiView, row: PlanReport) -> HttpResponse:
    link, key = reports.share_report(row, view.given.get("days", 30), view.given.get("words", ""))
    address = pages_address(view.request._request, f"/shared/plan/{key}/")
    made = {"link": LINKS.one(link.pk), "address": address}
    return view.answer(made, 201, {"Location": f"/api/v1/shared-links/{link.pk}"})


def _revoke(view: ApiView, row: SharedLink) -> None:
    reports.revoke_link(row)


class ReviewShown(Shown):
    plan_id = number(nullable=True)
    content = serializers.JSONField(read_only=True, help_text="By property: planned, done, failed, money")

    class Meta:
        model = PlanReview
        fields = ("id", "plan_id", "label", "first_day", "last_day", "content", "created_at")


REVIEWS = Rows(
    "PlanReview",
    ReviewShown,
    lambda: PlanReview.objects.all(),
    {"plan_id": within("plan_id", "At this capital plan.")},
    newest_first=True,
)


class Bill(Given):
    property_id = Known(Property)
    amount = Money(max_digits=13, min_value=0)


class YearGiven(Given):
    plan_id = Known(CapitalPlan)
    year = StrictWhole(
        required=False, min_value=0, max_value=60, help_text="Place of the fiscal year in the plan, from 0; its last "
        "finished one, if not said",
    )  # fmt: skip
    bills = Bill(many=True, required=False, help_text="What was really paid")


class ReviewsView(ApiView):
    @operation(
        Need.READ, "Looks back at a plan's year, the newest first.", lists=REVIEWS, tag="capital-plans"
    )
    def get(self, request: Any) -> HttpResponse:
        return self.page(REVIEWS)

    @operation(
        Need.PLAN, "Hold a finished fiscal year of a plan against what happened, and keep it.", takes=YearGiven,
        gives=ReviewShown, status=201, tag="capital-plans",
    )  # fmt: skip
    def post(self, request: Any) -> HttpResponse:
        bills = {one["property_id"].pk: one["amount"] for one in self.given.get("bills", [])}
        plan = done_plan(self.given["plan_id"].pk)
        made = reviews.look_back(plan, self.given.get("year"), bills)
        return self.made(REVIEWS, made.pk, request.path)


class ReviewTotals(serializers.Serializer):
    currency = serializers.CharField()
    totals = serializers.JSONField(help_text="All properties together")


class ReviewTotalsView(ApiView):
    @operation(Need.READ, "All properties of a look back together.", gives=ReviewTotals, tag="capital-plans")
    def get(self, request: Any, pk: int) -> HttpResponse:
        row = PlanReview.objects.filter(pk=pk).first()
        if row is None:
            raise Http404
        return self.answer({"currency": row.content["currency"], "totals": reviews.totals(row)})


SHARE = Verb(
    Need.PLAN, "Make a link for somebody without an account; it ends by itself.", _share, LinkGiven, LinkMade, 201,
    secret=True,
)  # fmt: skip
urlpatterns = [
    path(
        "capital-plans/<number:pk>/reports",
        act(CAPITALS, "plan-reports", Verb(
            Need.PLAN, "Ask for the owners' report on a plan.", _ask, gives=ReportShown, status=202,
        )),
        name="reports_ask",
    ),
    path("plan-reports", listing(REPORTS, "Reports for the owners, the newest first", "plan-reports"), name="reports"),
    path("plan-reports/<number:pk>", single(REPORTS, "One report", "plan-reports"), name="reports_one"),
    path(
        "plan-reports/<number:pk>/report.pdf",
        file_of(REPORTS, "plan-reports", File(
            Need.READ, "The report to print.", PDF, lambda view, row: _file(row, "pdf"),
        )),
        name="reports_pdf",
    ),
    path(
        "plan-reports/<number:pk>/report.xlsx",
        file_of(REPORTS, "plan-reports", File(
            Need.READ, "The report's figures.", XLSX, lambda view, row: _file(row, "xlsx"),
        )),
        name="reports_xlsx",
    ),
    path("plan-reports/<number:pk>/links", act(REPORTS, "plan-reports", SHARE), name="reports_share"),
    path("shared-links", listing(LINKS, "Links to reports, the newest first", "plan-reports", Need.PLAN), name="links"),
    path("shared-links/<number:pk>", single(LINKS, "One link", "plan-reports", Need.PLAN), name="links_one"),
    path(
        "shared-links/<number:pk>/revoke",
        act(LINKS, "plan-reports", Verb(Need.PLAN, "Let it open nothing any more.", _revoke)),
        name="links_revoke",
    ),
    path("plan-reviews", ReviewsView.as_view(), name="reviews"),
    path("plan-reviews/<number:pk>", single(REVIEWS, "One look back", "capital-plans"), name="reviews_one"),
    path("plan-reviews/<number:pk>/totals", ReviewTotalsView.as_view(), name="reviews_totals"),
]  # fmt: skip
