"""One search over everything that the person who asks may see."""

from __future__ import annotations

from typing import cast

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET

from fleet.estate.access import MemberRequest, Need, may, page
from fleet.pages import search


@page(Need.READ)
@require_GET
def find(request: HttpRequest) -> HttpResponse:
    text = request.GET.get("words", "")[:100].strip()
    number = search.exactly(text)
    if number is not None and request.GET.get("stay") != "1":
        return redirect("pages:heater", number)
    groups = search.find(text, cast(MemberRequest, request).organisation, sees_people=may(request, Need.PLAN))
    return render(request, "pages/find.html", {"find_words": text, "groups": groups})
