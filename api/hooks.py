"""Web hooks, what was sent or waits to be, and who is told next when nobody acts."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.urls import path
from rest_framework import serializers

from api.door import ApiView
from api.estate import within
from api.operations import operation
from api.rows import Filter, Rows
from api.shapes import (
    Given,
    Known,
    Shown,
    StrictChoice,
    StrictText,
    StrictWhole,
    StrictYes,
    number,
    text,
)
from api.usual import Doors, Verb, act, listing, one_of, single
from fleet.estate.access import Need
from fleet.estate.calendar import today_of
from fleet.estate.models import Property
from fleet.reminders import escalation, hooks, outbox
from fleet.reminders.entitled import NEED_OF_KIND, NEVER_URGENT
from fleet.reminders.models import EscalationRule
from fleet.reminders.outbox_rows import Delivery, WebHook


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
        Need.ADMIN, "Tell another program. The secret that signs its calls: renew-secret gives it once.",
        takes=HookGiven, gives=HookShown, status=201, tag="web-hooks",
    )  # fmt: skip
    def post(self, request: Any) -> HttpResponse:
        given = self.given
        hook = hooks.add_hook(
            self.caller.organisation,
            given["name"],
            given["url"],
            given.get("kinds", []),
            given.get("may_repeat", False),
        )
        return self.made(HOOKS, hook.pk, request.path)


class HookSecret(serializers.Serializer):
    secret = serializers.CharField(help_text="Shown this once; the earlier one signs nothing any more")


def _renew(view: ApiView, row: WebHook) -> dict[str, str]:
    return {"secret": hooks.secret_of(hooks.renew_secret(row))}


def _switch_on(view: ApiView, row: WebHook) -> None:
    hooks.switch_on(row)


def _try_out(view: ApiView, row: WebHook) -> None:
    hooks.try_out(row, today_of(view.caller.organisation))


class DeliveryShown(Shown):
    hook_id = number(nullable=True)

    class Meta:
        model = Delivery
        fields = ("id", "channel", "what", "hook_id", "due_on", "urgent", "state", "attempts", "sent_at", "words",
                  "created_at")  # fmt: skip


DELIVERIES = Rows(
    "Delivery",
    DeliveryShown,
    lambda: Delivery.objects.all(),
    {"state": Filter("state", serializers.ChoiceField(choices=Delivery.State.choices), "In this state.")},
    newest_first=True,
)
SETTLED = {"again": outbox.send_again, "sent": outbox.was_sent, "leave": outbox.leave_it}


class Settled(Given):
    how = StrictChoice(choices=list(SETTLED), help_text="Send it again, it was sent, or leave it unsent")


def _settle(view: ApiView, row: Delivery) -> None:
    SETTLED[view.given["how"]](row)


class RuleShown(Shown):
    property_id = number(nullable=True)
    person_id = number()
    person_name = text("person.name")

    class Meta:
        model = EscalationRule
        fields = ("id", "property_id", "kind", "after_minutes", "person_id", "person_name")


RULES = Rows(
    "EscalationRule",
    RuleShown,
    lambda: EscalationRule.objects.all(),
    {"property_id": within("property_id", "Of this property.")},
)


class RuleGiven(Given):
    person_id = StrictWhole(min_value=1, max_value=2**53, help_text="Who is told")
    after_minutes = StrictWhole(min_value=escalation.SHORTEST, max_value=escalation.LONGEST)
    kind = StrictChoice(
        choices=["", *sorted(set(NEED_OF_KIND) - set(NEVER_URGENT))],
        required=False,
        help_text="Empty: every urgent kind",
    )
    property_id = Known(Property, required=False, allow_null=True, help_text="null: every property")


class RulesView(ApiView):
    @operation(Need.ADMIN, "Who is told next when nobody acts.", lists=RULES, tag="escalation-rules")
    def get(self, request: Any) -> HttpResponse:
        return self.page(RULES)

    @operation(
        Need.ADMIN,
        "Say who is told next.",
        takes=RuleGiven,
        gives=RuleShown,
        status=201,
        tag="escalation-rules",
    )
    def post(self, request: Any) -> HttpResponse:
        given = self.given
        rule = escalation.add_rule(
            self.caller.organisation,
            given["person_id"],
            given["after_minutes"],
            given.get("kind", ""),
            given.get("property_id"),
        )
        return self.made(RULES, rule.pk, request.path)


RENEW = Verb(Need.ADMIN, "Make a new signing secret.", _renew, gives=HookSecret, secret=True)
HOOK = Doors(
    HOOKS, "a web hook", "web-hooks", Need.ADMIN, Need.ADMIN, remove=lambda view, row: hooks.remove_hook(row)
)  # fmt: skip
RULE = Doors(
    RULES, "an escalation rule", "escalation-rules", Need.ADMIN, Need.ADMIN,
    remove=lambda view, row: escalation.remove_rule(row),
)  # fmt: skip
urlpatterns = [
    path("web-hooks", HooksView.as_view(), name="hooks"),
    path("web-hooks/<number:pk>", one_of(HOOK), name="hooks_one"),
    path("web-hooks/<number:pk>/renew-secret", act(HOOKS, "web-hooks", RENEW), name="hooks_renew"),
    path(
        "web-hooks/<number:pk>/switch-on",
        act(HOOKS, "web-hooks", Verb(Need.ADMIN, "Tell it again after it was switched off.", _switch_on)),
        name="hooks_on",
    ),
    path(
        "web-hooks/<number:pk>/test",
        act(HOOKS, "web-hooks", Verb(Need.ADMIN, "Ask for a test call; deliveries say how it went.", _try_out)),
        name="hooks_test",
    ),
    path(
        "deliveries",
        listing(DELIVERIES, "What was sent or waits to be, the newest first", "web-hooks", Need.ADMIN),
        name="deliveries",
    ),
    path(
        "deliveries/<number:pk>", single(DELIVERIES, "One delivery", "web-hooks", Need.ADMIN), name="deliveries_one"
    ),
    path(
        "deliveries/<number:pk>/settle",
        act(DELIVERIES, "web-hooks", Verb(Need.ADMIN, "Say what is to become of it.", _settle, Settled)),
        name="deliveries_settle",
    ),
    path("escalation-rules", RulesView.as_view(), name="rules"),
    path("escalation-rules/<number:pk>", one_of(RULE), name="rules_one"),
]  # fmt: skip
