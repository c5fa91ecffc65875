"""The calendar behind a secret address: no session, no page, the same 404 for every wrong secret."""

from __future__ import annotations

from django.http import Http404, HttpRequest, HttpResponse
from django.views.decorators.http import require_safe

from fleet.estate.access import Need, page
from fleet.reminders.feed import calendar_behind


@page(Need.PUBLIC)
@require_safe
def calendar(request: HttpRequest, secret: str) -> HttpResponse:
    written = calendar_behind(secret)
    if written is None:
        raise Http404
    answer = HttpResponse(written, content_type="text/calendar; charset=utf-8")
    answer["Content-Disposition"] = 'inline; filename="water-heaters.ics"'
    answer["Cache-Control"] = "private, no-store"
    return answer
