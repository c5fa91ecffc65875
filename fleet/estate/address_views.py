"""Pages on which a person changes the address that she signs in with."""

from __future__ import annotations

from typing import cast

from allauth.account.decorators import reauthentication_required
from django.conf import settings
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from fleet.estate import mail_address, throttle
from fleet.estate.access import Need, page
from fleet.estate.models import Person
from fleet.estate.pages_address import pages_address
from fleet.estate.people_forms import NewAddressForm


@page(Need.SELF)
@never_cache
@require_http_methods(["GET", "POST"])
@reauthentication_required
def new_address(request: HttpRequest) -> HttpResponse:
    """Ask for the change. The answer is the same for any address, taken or free."""
    person = cast(Person, request.user)
    form = NewAddressForm(request.POST or None, person=person)
    context = {"form": form, "person": person, "mail": settings.MAIL_SET_UP}
    if request.method == "POST" and form.is_valid():
        email = form.cleaned_data["email"]
        if wait := _wait(request, person.email, email):
            return render(request, "estate/new_address.html", context | {"wait_seconds": wait}, status=429)
        if mail_address.ask_for_change(person, email, pages_address(request)):
            return render(request, "estate/new_address.html", context | {"sent_to": email})
        form.add_error(None, "You belong to no organisation. Ask an owner to invite your new address.")
    return render(request, "estate/new_address.html", context, status=400 if form.errors else 200)


def _wait(request: HttpRequest, *accounts: str) -> int:
    """Counted by who asks and by where the mail would go, and never given back: each asking sends a mail."""
    return max(
        throttle.take_try(throttle.counts_for(request, account, "new address")) for account in accounts
    )


@page(Need.SELF)
@never_cache
@require_http_methods(["GET", "POST"])
def take_address(request: HttpRequest, secret: str) -> HttpResponse:
    """Behind the link in the mail. Opened by whoever asked for it, and changed by a button: mail programs follow links."""
    person = cast(Person, request.user)
    try:
        email = mail_address.address_in(secret, person)
        if request.method == "POST":
            mail_address.change_address(person, secret, request.session.session_key)
            request.device_of = email  # type: ignore[attr-defined]
            messages.success(request, f"You sign in with {email} from now on. Your other sessions are ended.")
            return redirect("estate:account")
    except mail_address.AddressGone:
        return render(request, "estate/address_gone.html", status=404)
    except ValidationError as error:
        return render(request, "estate/address_gone.html", {"refused": error.messages[0]}, status=409)
    return render(request, "estate/take_address.html", {"email": email, "person": person})
