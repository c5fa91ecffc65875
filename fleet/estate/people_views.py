"""The owners' pages: people, invitations, the organisation's settings, the security log."""

from __future__ import annotations

from typing import Any, cast

from django.conf import settings
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.estate import account_mail, people, retention, security_log
from fleet.estate.access import MemberRequest, Need, page
from fleet.estate.models import Membership, Person
from fleet.estate.pages_address import pages_address
from fleet.estate.people_forms import InviteForm, KeepingForm, MemberForm, OrganisationForm
from fleet.estate.people_rows import Invitation, SecurityEvent


def _take_errors(form: Any, error: ValidationError) -> None:
    """Put a verb's refusal beside the fields it names."""
    if hasattr(error, "error_dict"):
        for name, errors in error.error_dict.items():
            form.add_error(name if name in form.fields else None, errors)
    else:
        form.add_error(None, error)


@page(Need.ADMIN)
@require_GET
def people_page(request: HttpRequest) -> HttpResponse:
    organisation = cast(MemberRequest, request).organisation
    members = (
        Membership.objects.filter(organisation=organisation)
        .select_related("person")
        .prefetch_related("person__authenticator_set")
        .order_by("person__name", "person__email")
    )
    return render(
        request,
        "estate/people.html",
        {
            "members": members,
            "invitations": Invitation.objects.filter(
                organisation=organisation, accepted_at=None, withdrawn_at=None
            ),
            "link": request.session.pop("invitation_link", ""),
        },
    )


@page(Need.ADMIN)
@require_http_methods(["GET", "POST"])
def invite(request: HttpRequest) -> HttpResponse:
    organisation = cast(MemberRequest, request).organisation
    form = InviteForm(request.POST or None, organisation=organisation)
    if request.method == "POST" and form.is_valid():
        try:
            row = people.invite(
                organisation,
                form.cleaned_data["email"],
                form.cleaned_data["role"],
                form.property_ids,
                cast(Person, request.user),
            )
        except ValidationError as error:
            _take_errors(form, error)
        else:
            _hand_over(request, row)
            return redirect("estate:people")
    context = {"form": form, "heading": "Invite somebody", "mail": settings.MAIL_SET_UP}
    return render(request, "estate/member.html", context, status=400 if form.errors else 200)


def _hand_over(request: HttpRequest, row: Invitation) -> None:
    """By mail; where no mail is set up the link is shown once, to be handed over by other means."""
    root = pages_address(request)
    if settings.MAIL_SET_UP:
        account_mail.send_invitation(row, root)
        messages.success(request, f"A mail with the invitation is on its way to {row.email}.")
    else:
        request.session["invitation_link"] = account_mail.join_address(row, root)


@page(Need.ADMIN)
@require_POST
def withdraw_invitation(request: HttpRequest, pk: int) -> HttpResponse:
    row: Invitation = get_object_or_404(
        Invitation.objects,
        pk=pk,
        organisation=cast(MemberRequest, request).organisation,
        accepted_at=None,
        withdrawn_at=None,
    )
    people.withdraw(row)
    messages.success(request, f"The invitation of {row.email} is withdrawn; its link leads nowhere.")
    return redirect("estate:people")


def _member(request: HttpRequest, pk: int) -> Membership:
    own = Membership.objects.filter(organisation=cast(MemberRequest, request).organisation)
    return get_object_or_404(own.select_related("person", "organisation"), pk=pk)


@page(Need.ADMIN)
@require_http_methods(["GET", "POST"])
def member(request: HttpRequest, pk: int) -> HttpResponse:
    row = _member(request, pk)
    initial = {
        "role": row.role,
        "all_properties": "yes" if row.all_properties else "no",
        "properties": row.properties.all(),
    }
    form = MemberForm(request.POST or None, organisation=row.organisation, initial=initial)
    if request.method == "POST" and form.is_valid():
        try:
            people.change_member(row, form.cleaned_data["role"], form.property_ids)
        except ValidationError as error:
            _take_errors(form, error)
        else:
            messages.success(request, f"{row.person} is now {row.get_role_display()}.")
            return redirect("estate:people")
    context = {"form": form, "heading": f"What {row.person} may do", "member": row}
    return render(request, "estate/member.html", context, status=400 if form.errors else 200)


@page(Need.ADMIN)
@require_POST
def remove_member(request: HttpRequest, pk: int) -> HttpResponse:
    row = _member(request, pk)
    try:
        people.remove_member(row)
    except ValidationError as error:
        messages.error(request, error.messages[0])
        return redirect("estate:member", pk)
    messages.success(request, f"{row.person} no longer belongs here. What this person recorded stays.")
    return redirect("estate:people")


@page(Need.ADMIN)
@require_http_methods(["GET", "POST"])
def organisation_page(request: HttpRequest) -> HttpResponse:
    organisation = cast(MemberRequest, request).organisation
    initial = {"name": organisation.name, "second_factor_required": organisation.second_factor_required}
    form = OrganisationForm(request.POST or None, initial=initial)
    if request.method == "POST" and form.is_valid():
        try:
            people.change_organisation(organisation, **form.cleaned_data)
        except ValidationError as error:
            _take_errors(form, error)
        else:
            messages.success(request, "The settings are saved.")
            return redirect("estate:organisation")
    return render(request, "estate/organisation.html", {"form": form}, status=400 if form.errors else 200)


@page(Need.ADMIN)
@require_http_methods(["GET", "POST"])
def keeping(request: HttpRequest) -> HttpResponse:
    organisation = cast(MemberRequest, request).organisation
    form = KeepingForm(request.POST or None, days=retention.days_of(organisation))
    if request.method == "POST" and form.is_valid():
        try:
            retention.change_days(organisation, form.cleaned_data)
        except ValidationError as error:
            _take_errors(form, error)
        else:
            messages.success(request, "Saved. What is older goes with the next daily round.")
            return redirect("estate:keeping")
    return render(request, "estate/keeping.html", {"form": form}, status=400 if form.errors else 200)


@page(Need.ADMIN)
@require_GET
def security_events(request: HttpRequest) -> HttpResponse:
    events = SecurityEvent.objects.filter(organisation=cast(MemberRequest, request).organisation)
    kind = request.GET.get("kind", "")
    if kind in security_log.KINDS:
        events = events.filter(kind=kind)
    leaf = Paginator(events, 50).get_page(request.GET.get("page"))
    context = {"leaf": leaf, "kinds": security_log.KINDS, "kind": kind}
    return render(request, "estate/security_log.html", context)
