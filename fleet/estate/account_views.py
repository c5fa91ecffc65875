"""A person's own page: name, password, second factor, sessions."""

from __future__ import annotations

from typing import cast

from allauth.mfa.models import Authenticator
from django.contrib import messages
from django.contrib.auth import logout, update_session_auth_hash
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.estate import privacy, sessions, throttle
from fleet.estate.access import Need, page
from fleet.estate.models import Membership, Person
from fleet.estate.people_forms import ChangePasswordForm, EraseForm, NameForm
from fleet.estate.security_log import note_of_person


@page(Need.SELF)
@never_cache
@require_http_methods(["GET", "POST"])
def account(request: HttpRequest) -> HttpResponse:
    person = cast(Person, request.user)
    form = NameForm(request.POST or None, instance=person)
    if request.method == "POST" and form.is_valid():
        form.save()
        messages.success(request, "Your name is saved.")
        return redirect("estate:account")
    context = {
        "form": form,
        "person": person,
        "factors": Authenticator.objects.filter(user=person).order_by("created_at"),
        "memberships": Membership.objects.filter(person=person).select_related("organisation").order_by("id"),
        "sittings": sessions.sittings(request, person),
        "must_set_up": getattr(request, "second_factor_missing", False),
    }
    return render(request, "estate/account.html", context, status=400 if form.errors else 200)


@page(Need.SELF)
@never_cache
@sensitive_post_parameters()
@require_http_methods(["GET", "POST"])
def password(request: HttpRequest) -> HttpResponse:
    person = cast(Person, request.user)
    form = ChangePasswordForm(person, request.POST or None)
    if request.method == "POST":
        counts = throttle.counts_for(request, person.email, "password")
        if wait := throttle.take_try(counts):
            context = {"form": ChangePasswordForm(person), "wait_seconds": wait}
            return render(request, "estate/password.html", context, status=429)
        if form.is_valid():
            throttle.give_back(counts)
            form.save()
            update_session_auth_hash(request, person)
            sessions.end_sessions(person, but=request.session.session_key)
            note_of_person("password", "Changed the password", person)
            messages.success(request, "The new password holds. Your other sessions are ended.")
            return redirect("estate:account")
    return render(request, "estate/password.html", {"form": form}, status=400 if form.errors else 200)


@page(Need.SELF)
@require_POST
def end_session(request: HttpRequest, pk: int) -> HttpResponse:
    if not sessions.end_session(cast(Person, request.user), pk):
        raise Http404
    messages.success(request, "That session is ended.")
    return redirect("estate:account")


@page(Need.SELF)
@require_POST
def end_other_sessions(request: HttpRequest) -> HttpResponse:
    count = sessions.end_sessions(cast(Person, request.user), but=request.session.session_key)
    messages.success(request, f"{count} other session{'' if count == 1 else 's'} ended.")
    return redirect("estate:account")


@page(Need.SELF)
@require_GET
@never_cache
def own_data(request: HttpRequest) -> HttpResponse:
    """Everything on record about the person, as a file."""
    person = cast(Person, request.user)
    response = JsonResponse(privacy.personal_data(person), json_dumps_params={"indent": 2})
    response["Content-Disposition"] = 'attachment; filename="about-you.json"'
    note_of_person("privacy", "Took away a file of the own data", person)
    return response


@page(Need.SELF)
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def erase(request: HttpRequest) -> HttpResponse:
    person = cast(Person, request.user)
    form = EraseForm(request.POST or None, person=person)
    if request.method == "POST":
        counts = throttle.counts_for(request, person.email, "password")
        if wait := throttle.take_try(counts):
            return render(request, "estate/erase.html", {"form": form, "wait_seconds": wait}, status=429)
        if form.is_valid():
            throttle.give_back(counts)
            try:
                privacy.erase_person(person)
            except ValidationError as error:
                form.add_error(None, error)
            else:
                logout(request)
                messages.success(request, "Your data is erased.")
                return redirect("pages:sign_in")
    return render(request, "estate/erase.html", {"form": form}, status=400 if form.errors else 200)
