"""How a person wants to hear: rhythm, hours, quiet hours, her calendar's address, stopping in one click."""

from __future__ import annotations

from typing import Any, cast

from django import forms
from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods, require_POST

from fleet.estate.access import MemberRequest, Need, page
from fleet.estate.calendar import today_of
from fleet.estate.choosing import listed, sought
from fleet.estate.models import Property
from fleet.reminders import feed, preferences
from fleet.reminders.models import Preference
from fleet.reminders.selectors import feed_of, next_digest_of, own_wishes
from fleet.reminders.testing import send_test_mail

HOURS = [(hour, f"{hour}:00") for hour in range(24)]
WEEKDAYS = list(enumerate(("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")))


class WishForm(forms.Form):
    rhythm = forms.ChoiceField(label="Digest of what is due and late", choices=Preference.Rhythm.choices)
    hour = forms.TypedChoiceField(label="At what hour, by the property's clock", choices=HOURS, coerce=int)
    weekday = forms.TypedChoiceField(label="On what day, if once a week", choices=WEEKDAYS, coerce=int)
    budget_day = forms.TypedChoiceField(
        label="Budget date, if monthly: day of the month",
        choices=[(day, str(day)) for day in range(1, 29)],
        coerce=int,
    )
    alerts_by_mail = forms.BooleanField(label="Alerts by e-mail at once", required=False)
    quiet_from = forms.TypedChoiceField(label="Quiet hours from", choices=HOURS, coerce=int)
    quiet_until = forms.TypedChoiceField(
        label="Quiet hours until (the same hour: none)", choices=HOURS, coerce=int
    )
    alerts_wait = forms.BooleanField(label="Alerts too wait for the end of quiet hours", required=False)


def _form(preference: Preference, data: Any = None) -> WishForm:
    return WishForm(data, initial={name: getattr(preference, name) for name in WishForm.base_fields})


@page(Need.READ)
@require_http_methods(["GET", "HEAD", "POST"])
def wishes(request: HttpRequest) -> HttpResponse:
    return _wishes(request, None)


@page(Need.READ)
@require_http_methods(["GET", "HEAD", "POST"])
def property_wish(request: HttpRequest, pk: int) -> HttpResponse:
    place: Property = get_object_or_404(Property.objects, pk=pk)
    return _wishes(request, place)


def _wishes(request: HttpRequest, place: Property | None) -> HttpResponse:
    member = cast(MemberRequest, request)
    own = preferences.own_preferences([member.user.pk])
    form = _form(own.of(member.membership, place.pk if place else None), request.POST or None)
    if request.method == "POST" and form.is_valid():
        preferences.set_preference(member.user, member.organisation, place, form.cleaned_data)
        messages.success(request, "Kept.")
        return redirect("reminders:wishes")
    words = request.GET.get("words", "").strip()[:100]
    values = {
        "form": form,
        "place": place,
        "properties": listed(sought(words)),
        "words": words,
        "own": own_wishes(member.user.pk),
        "clock": next_digest_of(member.user.pk),
        "feed": feed_of(member.user.pk, member.organisation.pk),
        "mail_set_up": settings.MAIL_SET_UP,
    }
    return render(request, "reminders/wishes.html", values)


@page(Need.READ)
@require_POST
def drop_wish(request: HttpRequest, pk: int) -> HttpResponse:
    place: Property = get_object_or_404(Property.objects, pk=pk)
    preferences.drop_preference(cast(MemberRequest, request).user, place)
    return redirect("reminders:wishes")


@page(Need.READ)
@require_POST
def test_mail(request: HttpRequest) -> HttpResponse:
    member = cast(MemberRequest, request)
    if not settings.MAIL_SET_UP:
        messages.error(request, "No mail server is set up: ask whoever runs this installation.")
    elif send_test_mail(member.user, member.organisation, today_of(member.organisation)):
        messages.success(request, f"A test mail goes to {member.user.email} within a minute.")
    else:
        messages.info(request, "A test mail was asked for a moment ago; wait a few minutes.")
    return redirect("reminders:wishes")


@page(Need.READ)
@require_POST
def new_calendar(request: HttpRequest) -> HttpResponse:
    member = cast(MemberRequest, request)
    address = feed.new_address(member.user, member.organisation)
    answer = render(request, "reminders/new_calendar.html", {"address": address})
    answer["Cache-Control"] = "no-store"
    return answer


@page(Need.READ)
@require_POST
def close_calendar(request: HttpRequest) -> HttpResponse:
    member = cast(MemberRequest, request)
    feed.close_address(member.user, member.organisation)
    messages.success(request, "The calendar's address opens nothing any more.")
    return redirect("reminders:wishes")


@page(Need.PUBLIC)
@csrf_exempt
@require_http_methods(["GET", "HEAD", "POST"])
def stop(request: HttpRequest, token: str) -> HttpResponse:
    """One-click stop (RFC 8058): the mail program posts without a session. Opening the link alone stops nothing."""
    found = preferences.read_stop_token(token)
    if found is None:
        raise Http404
    stopped = request.method == "POST" and preferences.stop(*found)
    return render(request, "reminders/stop.html", {"what": found[1], "stopped": stopped})
