"""Being told, being let in, and what stands behind the forecast: inbox, web hooks, deliveries, grants, checks, priors."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpResponse
from django.urls import path
from rest_framework import serializers

from api.care_shapes import Reasoned
from api.door import ApiView
from api.estate import within
from api.operations import operation
from api.problems import Problem, pointed
from api.rows import Filter, Rows
from api.shapes import (
    Given,
    Known,
    Shown,
    StrictChoice,
    StrictDay,
    StrictNumber,
    StrictText,
    StrictYes,
    number,
    text,
)
from fleet.estate.access import Need
from fleet.estate.grant_rows import AccessGrant
from fleet.estate.grants import GrantRefused, grant_access, revoke_access
from fleet.estate.models import Property
from fleet.planning import priors, trust
from fleet.planning.models import TrustCheck
from fleet.reminders import hooks, inbox
from fleet.reminders.models import InboxNote
from fleet.reminders.outbox_rows import Delivery, WebHook

# --- inbox: what a person was told


class NoteShown(Shown):
    property_id = number(nullable=True)
    kind = text("happening.kind")
    sentence = text("happening.sentence")
    urgent = serializers.BooleanField(source="happening.urgent", read_only=True)
    happened_at = serializers.DateTimeField(source="happening.happened_at", read_only=True)

    class Meta:
        model = InboxNote
        fields = (
            "id",
            "property_id",
            "kind",
            "sentence",
            "urgent",
            "happened_at",
            "escalated",
            "created_at",
            "read_at",
        )


NOTES = Rows(
    "InboxNote",
    NoteShown,
    lambda: InboxNote.objects.all(),
    {"unread": Filter("read_at__isnull", serializers.BooleanField(), "Not read yet, or read.")},
    newest_first=True,
)


class InboxRead(serializers.Serializer):
    read = serializers.IntegerField()


class InboxView(ApiView):
    @operation(
        Need.READ,
        "What you were told, the newest first. A service is told nothing.",
        lists=NOTES,
        tag="inbox",
    )
    def get(self, request: Any) -> HttpResponse:
        person = self.caller.scope.person_id or 0
        return self.page(NOTES.of(lambda: InboxNote.objects.filter(person_id=person)))

    @operation(Need.READ, "All of it is read.", gives=InboxRead, tag="inbox")
    def post(self, request: Any) -> HttpResponse:
        return self.answer({"read": inbox.mark_read(self.caller.scope.person_id or 0)})


# --- web hooks and what was sent


class HookShown(Shown):
    kinds = serializers.ListField(
        child=serializers.CharField(), read_only=True, help_text="Empty: everything"
    )

    class Meta:
        model = WebHook
        fields = ("id", "name", "url", "kinds", "may_repeat", "made_at", "failures", "failing_since", "last_words",
                  "switched_off_at", "switched_off_because")  # fmt: skip


HOOKS = Rows("WebHook", HookShown, lambda: WebHook.objects.all())


class HookGiven(Given):
    name = StrictText(max_length=120)
    url = StrictText(max_length=500, help_text="https, at a public address")
    kinds = serializers.ListField(child=StrictText(max_length=40), required=False, max_length=50)
    may_repeat = StrictYes(required=False, help_text="It bears being told the same twice")


class HooksView(ApiView):
    @operation(Need.ADMIN, "Addresses of other programs that are told.", lists=HOOKS, tag="web-hooks")
    def get(self, request: Any) -> HttpResponse:
        return self.page(HOOKS)

    @operation(
        Need.ADMIN, "Tell another program. The secret that signs its calls is read on the page of web hooks.",
        takes=HookGiven, gives=HookShown, status=201, tag="web-hooks",
    )  # fmt: skip
    def post(self, request: Any) -> HttpResponse:
        given = self.given
        try:
            hook = hooks.add_hook(
                self.caller.organisation,
                given["name"],
                given["url"],
                given.get("kinds", []),
                given.get("may_repeat", False),
            )
        except hooks.HookRefused as refused:
            raise Problem("refused", errors=pointed(refused.problems)) from refused
        return self.made(HOOKS, hook.pk, request.path)


class HookView(ApiView):
    @operation(Need.ADMIN, "One web hook.", gives=HookShown, tag="web-hooks")
    def get(self, request: Any, pk: int) -> HttpResponse:
        return self.answer(HOOKS.one(pk))

    @operation(Need.ADMIN, "Tell it nothing any more.", status=204, tag="web-hooks")
    def delete(self, request: Any, pk: int) -> HttpResponse:
        hook = WebHook.objects.filter(pk=pk).first()
        if hook is None:
            raise Http404
        hooks.remove_hook(hook)
        return HttpResponse(status=204)


class DeliveryShown(Shown):
    hook_id = number(nullable=True)

    class Meta:
        model = Delivery
        fields = (
            "id",
            "channel",
            "what",
            "hook_id",
            "due_on",
            "urgent",
            "state",
            "attempts",
            "sent_at",
            "words",
            "created_at",
        )


DELIVERIES = Rows(
    "Delivery",
    DeliveryShown,
    lambda: Delivery.objects.all(),
    {"state": Filter("state", serializers.ChoiceField(choices=Delivery.State.choices), "In this state.")},
    newest_first=True,
)


class DeliveriesView(ApiView):
    @operation(
        Need.ADMIN, "What was sent or waits to be, the newest first.", lists=DELIVERIES, tag="web-hooks"
    )
    def get(self, request: Any) -> HttpResponse:
        return self.page(DELIVERIES)


# --- grants to plumbing companies


class GrantShown(Shown):
    company_name = text("company.name")

    class Meta:
        model = AccessGrant
        fields = (
            "id",
            "company_name",
            "level",
            "until",
            "granted_at",
            "granted_by",
            "revoked_at",
            "revoked_by",
            "reason",
        )


GRANTED = Rows(
    "AccessGrant",
    GrantShown,
    lambda: AccessGrant.objects.all(),
    {"in_force": Filter("revoked_at__isnull", serializers.BooleanField(), "Not revoked, or revoked.")},
)
LEVELS = {"survey": 1, "work": 2, "outlook": 3}


class GrantGiven(Given):
    code = StrictText(max_length=16, help_text="The company's code, which it gives away")
    property_ids = serializers.ListField(child=Known(Property), min_length=1, max_length=1000)
    level = StrictChoice(choices=list(LEVELS))
    until = StrictDay(required=False, allow_null=True, help_text="Its last day; a survey needs one")


class GrantsView(ApiView):
    @operation(Need.ADMIN, "Which companies may see which properties.", lists=GRANTED, tag="grants")
    def get(self, request: Any) -> HttpResponse:
        return self.page(GRANTED)

    @operation(
        Need.ADMIN,
        "Open properties to a company.",
        takes=GrantGiven,
        gives=GrantShown,
        status=201,
        tag="grants",
    )
    def post(self, request: Any) -> HttpResponse:
        given = self.given
        numbers = [place.pk for place in given["property_ids"]]
        try:
            grant = grant_access(
                self.caller.organisation, given["code"], numbers, LEVELS[given["level"]], given.get("until")
            )
        except GrantRefused as refused:
            names = {"properties": "property_ids"}
            raise Problem("refused", errors=pointed(refused.problems, names=names)) from refused
        return self.made(GRANTED, grant.pk, request.path)


class RevokeView(ApiView):
    @operation(Need.ADMIN, "Close it at once.", takes=Reasoned, gives=GrantShown, tag="grants")
    def post(self, request: Any, pk: int) -> HttpResponse:
        grant = AccessGrant.objects.filter(pk=pk).first()
        if grant is None:
            raise Http404
        revoke_access(grant, self.given["reason"])
        return self.answer(GRANTED.one(pk))


class GrantView(ApiView):
    @operation(Need.ADMIN, "One grant.", gives=GrantShown, tag="grants")
    def get(self, request: Any, pk: int) -> HttpResponse:
        return self.answer(GRANTED.one(pk))


# --- how far to trust the forecast


class CheckShown(Shown):
    run_id = number(nullable=True)
    job_id = number(nullable=True)

    class Meta:
        model = TrustCheck
        fields = (
            "id",
            "run_id",
            "as_of",
            "state",
            "error",
            "engine_version",
            "result",
            "job_id",
            "created_at",
            "finished_at",
        )


CHECKS = Rows(
    "TrustCheck",
    CheckShown,
    lambda: TrustCheck.objects.all(),
    {"run_id": within("run_id", "Of this forecast.")},
    newest_first=True,
)


class ChecksView(ApiView):
    @operation(
        Need.READ, "Forecasts held against what happened, the newest first.", lists=CHECKS, tag="trust"
    )
    def get(self, request: Any) -> HttpResponse:
        return self.page(CHECKS)

    @operation(
        Need.PLAN, "Hold the plan in use against the past years.", gives=CheckShown, status=202, tag="trust"
    )
    def post(self, request: Any) -> HttpResponse:
        check = trust.request_check(self.caller.organisation)
        return self.asked_for(CHECKS.one(check.pk), request.path)


class PriorShown(serializers.Serializer):
    table = serializers.CharField()
    row_id = serializers.CharField()
    name = serializers.CharField()
    quantity = serializers.CharField()
    definition = serializers.CharField()
    value = serializers.FloatField()
    spread = serializers.FloatField(allow_null=True)
    unit = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]
    status = serializers.CharField()
    note = serializers.CharField()
    shipped_value = serializers.FloatField()
    shipped_spread = serializers.FloatField(allow_null=True)


class Priors(serializers.Serializer):
    items = PriorShown(many=True)
    next = serializers.CharField(allow_null=True)


class PriorGiven(Given):
    table = StrictChoice(choices=["lifetimes", "effects"])
    row_id = StrictText(max_length=80)
    value = StrictNumber()
    spread = StrictNumber(required=False, allow_null=True)
    reason = StrictText(max_length=500, help_text="And where the new figure comes from")


def _priors(view: ApiView) -> dict[str, Any]:
    return {"items": [row.__dict__ for row in priors.shown(view.caller.organisation.pk)], "next": None}


class PriorsView(ApiView):
    @operation(
        Need.READ,
        "What is believed before the record speaks, each with its source.",
        gives=Priors,
        tag="trust",
    )
    def get(self, request: Any) -> HttpResponse:
        return self.answer(_priors(self))

    @operation(
        Need.PLAN, "Put a figure in place of the shipped one.", takes=PriorGiven, gives=Priors, tag="trust"
    )
    def post(self, request: Any) -> HttpResponse:
        given = self.given
        try:
            priors.enter(
                self.caller.organisation,
                given["table"],
                given["row_id"],
                given["value"],
                given.get("spread"),
                given["reason"],
            )
        except priors.PriorRefused as refused:
            raise Problem("refused", str(refused)) from refused
        return self.answer(_priors(self))


urlpatterns = [
    path("inbox", InboxView.as_view(), name="inbox"),
    path("web-hooks", HooksView.as_view(), name="hooks"),
    path("web-hooks/<number:pk>", HookView.as_view(), name="hooks_one"),
    path("deliveries", DeliveriesView.as_view(), name="deliveries"),
    path("grants", GrantsView.as_view(), name="grants"),
    path("grants/<number:pk>", GrantView.as_view(), name="grants_one"),
    path("grants/<number:pk>/revoke", RevokeView.as_view(), name="grants_revoke"),
    path("trust-checks", ChecksView.as_view(), name="checks"),
    path("priors", PriorsView.as_view(), name="priors"),
]
