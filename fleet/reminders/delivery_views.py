"""The outbox as an owner sees it: what was sent, what waits, what nobody can be sure of."""

from __future__ import annotations

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from fleet.estate.access import Need, page
from fleet.reminders import outbox, selectors
from fleet.reminders.models import Delivery

VERBS = {"again": outbox.send_again, "sent": outbox.was_sent, "leave": outbox.leave_it}


@page(Need.ADMIN)
@require_GET
def deliveries(request: HttpRequest) -> HttpResponse:
    state = request.GET.get("state", "")
    counts = outbox.counts()
    values = {
        "leaf": Paginator(selectors.deliveries(state), 50).get_page(request.GET.get("page")),
        "counts": [(value, label, counts[value]) for value, label in Delivery.State.choices],
        "state": state,
        "oldest": outbox.oldest_due(),
    }
    return render(request, "reminders/deliveries.html", values)


@page(Need.ADMIN)
@require_POST
def settle(request: HttpRequest, pk: int, verb: str) -> HttpResponse:
    row: Delivery = get_object_or_404(Delivery.objects, pk=pk)
    if verb not in VERBS:
        raise Http404
    try:
        VERBS[verb](row)
    except outbox.CannotSettle as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, "Done.")
    return redirect(f"{reverse('reminders:deliveries')}?state=uncertain")
