"""Web hooks and escalation rules of an organisation: its owners' business."""

from __future__ import annotations

from typing import Any, cast

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from fleet.estate.access import MemberRequest, Need, page
from fleet.estate.calendar import today_of
from fleet.estate.choice_fields import one_property
from fleet.estate.models import Organisation, Property
from fleet.reminders import escalation as rules
from fleet.reminders import hooks as verbs
from fleet.reminders.entitled import NEED_OF_KIND, NEVER_URGENT
from fleet.reminders.models import EscalationRule, WebHook
from fleet.reminders.selectors import people_of

KINDS = [(kind, kind.replace("_", " ")) for kind in sorted(NEED_OF_KIND)]
# Only an urgent one waits for somebody to act on it.
URGENT_KINDS = [(kind, words) for kind, words in KINDS if kind not in NEVER_URGENT]


class HookForm(forms.Form):
    name = forms.CharField(max_length=120, label="Name")
    url = forms.CharField(max_length=500, label="Address", help_text="Such as https://name.example/path")
    kinds = forms.MultipleChoiceField(
        label="Only these", required=False, choices=KINDS, widget=forms.CheckboxSelectMultiple
    )
    may_repeat = forms.BooleanField(
        required=False,
        label="The receiver drops a webhook-id that it knows",
        help_text="Then a call that was not answered goes again by itself; else it is shown as uncertain.",
    )


@page(Need.ADMIN)
@require_http_methods(["GET", "HEAD", "POST"])
def hooks(request: HttpRequest) -> HttpResponse:
    form = HookForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            hook = verbs.add_hook(cast(MemberRequest, request).organisation, **form.cleaned_data)
        except verbs.HookRefused as refused:
            for field, words in refused.problems.items():
                form.add_error(field, words)
        else:
            return _secret(request, hook)
    rows = WebHook.objects.order_by("name")
    return render(request, "reminders/hooks.html", {"form": form, "hooks": rows})


def _secret(request: HttpRequest, hook: WebHook) -> HttpResponse:
    values = {"hook": hook, "secret": verbs.secret_of(hook)}
    answer = render(request, "reminders/hook_secret.html", values)
    answer["Cache-Control"] = "no-store"
    return answer


@page(Need.ADMIN)
@require_POST
def hook(request: HttpRequest, pk: int, verb: str) -> HttpResponse:
    row: WebHook = get_object_or_404(WebHook.objects, pk=pk)
    if verb == "renew":
        return _secret(request, verbs.renew_secret(row))
    if verb == "remove":
        verbs.remove_hook(row)
    elif verb == "on":
        verbs.switch_on(row)
    elif verb == "test":
        verbs.try_out(row, today_of(cast(MemberRequest, request).organisation))
        messages.success(request, "A test call goes out within a minute; Sent shows how it went.")
    else:
        raise Http404
    return redirect("reminders:hooks")


class RuleForm(forms.Form):
    kind = forms.ChoiceField(
        label="Kind of alert", required=False, choices=[("", "every alert"), *URGENT_KINDS]
    )
    after_minutes = forms.IntegerField(
        label="When nobody acts, after how many minutes",
        help_text=f"{rules.SHORTEST} to {rules.LONGEST:,}; a day has 1,440.",
        min_value=rules.SHORTEST,
        max_value=rules.LONGEST,
    )
    person = forms.TypedChoiceField(label="Tell", coerce=int)

    def __init__(self, data: Any, organisation: Organisation) -> None:
        super().__init__(data)
        own = Property.objects.filter(organisation=organisation)
        self.fields["place"] = one_property("Property", "every property", own)
        self.order_fields(["kind", "place"])
        people: Any = self.fields["person"]
        people.choices = [(person.pk, str(person)) for person in people_of(organisation.pk)]


@page(Need.ADMIN)
@require_http_methods(["GET", "HEAD", "POST"])
def escalation(request: HttpRequest) -> HttpResponse:
    organisation = cast(MemberRequest, request).organisation
    form = RuleForm(request.POST or None, organisation)
    if request.method == "POST" and form.is_valid():
        asked = form.cleaned_data
        rules.add_rule(organisation, asked["person"], asked["after_minutes"], asked["kind"], asked["place"])
        return redirect("reminders:escalation")
    rows = EscalationRule.objects.select_related("person", "property")
    return render(request, "reminders/escalation.html", {"form": form, "rules": rows})


@page(Need.ADMIN)
@require_POST
def remove_rule(request: HttpRequest, pk: int) -> HttpResponse:
    row: EscalationRule = get_object_or_404(EscalationRule.objects, pk=pk)
    rules.remove_rule(row)
    return redirect("reminders:escalation")
