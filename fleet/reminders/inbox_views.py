"""The inbox: what a person was told, as far as she may still see it."""

from __future__ import annotations

from typing import cast

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_POST

from fleet.estate import happenings
from fleet.estate.access import MemberRequest, Need, page
from fleet.reminders import inbox as verbs
from fleet.reminders.models import InboxNote


@page(Need.READ)
@require_GET
def inbox(request: HttpRequest) -> HttpResponse:
    person = cast(MemberRequest, request).user
    leaf = Paginator(verbs.notes_of(person.pk), 50).get_page(request.GET.get("page"))
    return render(request, "reminders/inbox.html", {"leaf": leaf, "unread": verbs.unread(person.pk)})


@page(Need.READ)
@require_POST
def read_all(request: HttpRequest) -> HttpResponse:
    verbs.mark_read(cast(MemberRequest, request).user.pk)
    return redirect("reminders:inbox")


@page(Need.WORK)
@require_POST
def take_on(request: HttpRequest, pk: int) -> HttpResponse:
    """She acts on it: nobody else is told because of silence."""
    person = cast(MemberRequest, request).user
    rows = InboxNote.objects.select_related("happening")
    note: InboxNote = get_object_or_404(rows, pk=pk, person_id=person.pk)
    if happenings.take_on(note.happening, request.POST.get("words", "")):
        messages.success(request, "You have taken it on. Nobody else is told because of silence.")
    else:
        messages.info(request, "Somebody has taken it on already.")
    return redirect("reminders:inbox")
