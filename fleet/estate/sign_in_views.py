"""The doors: signing in and out, a new password by mail, joining by invitation."""

from __future__ import annotations

from typing import Any, cast

from allauth.account.internal.stagekit import unstash_login
from allauth.account.utils import get_next_redirect_url, perform_login
from allauth.socialaccount.adapter import get_adapter
from django.conf import settings
from django.contrib import messages
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LogoutView, PasswordResetConfirmView
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse, HttpResponseBase, HttpResponseRedirect
from django.shortcuts import redirect, render
from django.urls import reverse_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from fleet.estate import account_mail, people, throttle
from fleet.estate.access import Need, View, page
from fleet.estate.models import Person
from fleet.estate.pages_address import pages_address
from fleet.estate.people_forms import AskForPasswordForm, JoinForm, NewPasswordForm
from fleet.estate.security_log import logger, note_of_person

_leave = LogoutView.as_view()


@page(Need.PUBLIC)
def sign_out(request: HttpRequest) -> HttpResponseBase:
    """What the browser keeps of the pages goes too; the sign-in page then takes the crew's day off the device
    (`care/phone_forget.js`), but for what was entered there and not sent yet."""
    response = _leave(request)
    if request.method == "POST":
        response["Clear-Site-Data"] = '"cache"'
    return response


def _too_many(request: HttpRequest, seconds: int, template: str, context: dict[str, Any]) -> HttpResponse:
    """The same words whether or not there is such an account."""
    response = render(request, template, context | {"wait_seconds": seconds}, status=429)
    response["Retry-After"] = str(seconds)
    return response


@page(Need.PUBLIC)
@never_cache
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def sign_in(request: HttpRequest) -> HttpResponseBase:
    onward = get_next_redirect_url(request, "next")
    if request.user.is_authenticated:
        # Not `redirect(onward)`, which would take a word for the name of a page.
        return HttpResponseRedirect(onward) if onward else redirect("pages:portfolio")
    context: dict[str, Any] = {
        "next": onward or "",
        "providers": get_adapter().list_providers(request) if settings.SOCIALACCOUNT_PROVIDERS else [],
        "mail": settings.MAIL_SET_UP,
    }
    if request.method != "POST":
        form = AuthenticationForm(request)
        return render(request, "pages/sign_in.html", context | {"form": form})
    account = request.POST.get("username", "")
    counts = throttle.counts_for(request, account)
    if wait := throttle.take_try(counts):
        form = AuthenticationForm(request, initial={"username": account})
        return _too_many(request, wait, "pages/sign_in.html", context | {"form": form})
    form = AuthenticationForm(request, request.POST)
    if not form.is_valid():
        _log_failure(account)
        return render(request, "pages/sign_in.html", context | {"form": form})
    throttle.give_back(counts)
    return perform_login(request, form.get_user(), email_verification="none", redirect_url=onward)


def _log_failure(account: str) -> None:
    person = Person.objects.filter(email=account.strip().lower()).first()
    if person is not None:
        note_of_person("sign_in_failed", "Sign-in failed", person)
    else:
        logger.info("sign_in_failed for an account that does not exist")


def second_factor_door(view: View) -> View:
    """Count tries at a code or key: per person, slowing down like tries at the password."""

    def counted(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        if request.method != "POST":
            return view(request, *args, **kwargs)
        login = None if request.user.is_authenticated else unstash_login(request, peek=True)
        person = login.user if login else request.user
        account = getattr(person, "email", "") if person is not None else ""
        counts = throttle.counts_for(request, account, "second factor")
        if wait := throttle.take_try(counts):
            return _too_many(request, wait, "estate/wait.html", {})
        response = view(request, *args, **kwargs)
        if response.status_code == 302:
            throttle.give_back(counts)
        elif isinstance(person, Person):
            note_of_person(
                "sign_in_failed", "The second factor or the password asked for again was wrong", person
            )
        return response

    return counted


@page(Need.PUBLIC)
@require_http_methods(["GET", "POST"])
def ask_for_password(request: HttpRequest) -> HttpResponse:
    """Ask for the mail that leads to a new password. The answer is the same for any address."""
    form = AskForPasswordForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        email = form.cleaned_data["email"]
        counts = throttle.counts_for(request, email, "new password")
        if wait := throttle.take_try(counts):
            return _too_many(request, wait, "estate/ask_for_password.html", {"form": form})
        account_mail.send_new_password(email, pages_address(request))
        return render(request, "estate/password_asked.html", {"email": email})
    context = {"form": form, "mail": settings.MAIL_SET_UP}
    return render(request, "estate/ask_for_password.html", context, status=400 if form.errors else 200)


class _NewPassword(PasswordResetConfirmView):
    form_class = NewPasswordForm
    template_name = "estate/new_password.html"
    success_url = reverse_lazy("pages:sign_in")

    def form_valid(self, form: Any) -> HttpResponse:
        response = super().form_valid(form)
        person = cast(Person, self.user)
        people.confirm_address(person)
        note_of_person("password", "Set a new password by mail", person)
        # The mail proves whose device this is: it now passes where strangers have to wait.
        self.request.device_of = person.email  # type: ignore[attr-defined]
        messages.success(self.request, "The new password holds. Sign in with it.")
        return response


new_password = page(Need.PUBLIC)(sensitive_post_parameters()(_NewPassword.as_view()))


@page(Need.PUBLIC)
@never_cache
@sensitive_post_parameters("password1", "password2")
@require_http_methods(["GET", "POST"])
def join(request: HttpRequest, secret: str) -> HttpResponseBase:
    """The page behind an invitation's link."""
    invitation = people.invitation_of(secret)
    if invitation is None:
        return render(request, "estate/invitation_gone.html", status=404)
    has_account = Person.objects.filter(email=invitation.email).exists()
    context = {"invitation": invitation, "has_account": has_account, "here": request.path}
    try:
        if request.user.is_authenticated:
            return _join_as_known(request, context)
        if has_account:
            return render(request, "estate/join.html", context)
        return _join_as_new(request, context)
    except people.InvitationGone:
        return render(request, "estate/invitation_gone.html", status=404)


def _join_as_known(request: HttpRequest, context: dict[str, Any]) -> HttpResponseBase:
    person, invitation = cast(Person, request.user), context["invitation"]
    if request.method == "POST":
        try:
            people.accept(invitation, person)
        except ValidationError as error:
            return render(request, "estate/join.html", context | {"refused": error.messages[0]}, status=400)
        request.session["organisation_id"] = invitation.organisation_id
        messages.success(request, f"You now belong to {invitation.organisation.name}.")
        return redirect("pages:portfolio")
    return render(request, "estate/join.html", context | {"wrong_person": person.email != invitation.email})


def _join_as_new(request: HttpRequest, context: dict[str, Any]) -> HttpResponseBase:
    invitation = context["invitation"]
    form = JoinForm(request.POST or None, email=invitation.email)
    if request.method == "POST" and form.is_valid():
        person = people.join_as_new_person(
            invitation, form.cleaned_data["name"], form.cleaned_data["password1"]
        )
        return perform_login(request, person, email_verification="none")
    return render(request, "estate/join.html", context | {"form": form}, status=400 if form.errors else 200)
