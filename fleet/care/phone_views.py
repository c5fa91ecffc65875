"""The phone's doors: the page that is kept there, the day, what is sent back."""

from __future__ import annotations

import hashlib
import json
from functools import lru_cache
from typing import Any, cast

from django.contrib import messages
from django.contrib.staticfiles import finders
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import get_object_or_404, redirect, render
from django.template.loader import render_to_string
from django.templatetags.static import static
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.gzip import gzip_page
from django.views.decorators.http import require_GET, require_POST

from fleet.care import crews, phone, phone_day, phone_photo, photos, visits
from fleet.care.phone_reading import Unreadable, read_moment
from fleet.care.reading import CareRefused
from fleet.estate.access import MemberRequest, Need, page
from fleet.estate.calendar import day_of, today_of
from fleet.estate.models import Building
from fleet.heaters.models import Attachment

SCRIPTS = tuple(
    f"care/{name}.js"
    for name in (
        "phone_store",
        "phone_send",
        "phone_photo",
        "phone_form",
        "phone_scan",
        "phone_task",
        "phone",
    )
)
PARTS = ("pages/almanac.css", "pages/mark.svg", *SCRIPTS)


@page(Need.WORK)
@require_GET
def phone_page(request: HttpRequest) -> HttpResponse:
    """The page itself, the same for everybody; what belongs to a person comes with the day."""
    return render(request, "care/phone.html", {"scripts": SCRIPTS})


@lru_cache(maxsize=1)
def _version() -> str:
    """Changes when any part of the kept page does, so that phones fetch it anew."""
    digest = hashlib.sha256(render_to_string("care/phone.html", {"scripts": SCRIPTS}).encode())
    for name in PARTS:
        place = finders.find(name)
        if place:
            with open(place, "rb") as part:
                digest.update(part.read())
    return digest.hexdigest()[:16]


@page(Need.PUBLIC)
@require_GET
def worker(request: HttpRequest) -> HttpResponse:
    """The script that keeps the page on the phone: no data of anybody in it."""
    values = {
        "version": _version(),
        "page": reverse("care:phone"),
        "parts": [static(name) for name in PARTS],
        "pictures": reverse("care:small_picture", args=[1]).split("1")[0],
    }
    response = render(request, "care/phone_worker.js", values, content_type="text/javascript")
    response["Cache-Control"] = "no-cache"
    return response


@page(Need.PUBLIC)
@require_GET
def manifest(request: HttpRequest) -> HttpResponse:
    values = {
        "name": "Tank Almanac: today's work",
        "short_name": "Today's work",
        "start_url": reverse("care:phone"),
        "scope": reverse("care:phone"),
        "display": "standalone",
        "icons": [{"src": static("pages/mark.svg"), "sizes": "any", "type": "image/svg+xml"}],
    }
    return JsonResponse(values, content_type="application/manifest+json")


@gzip_page
@page(Need.WORK)
@require_GET
def day(request: HttpRequest) -> HttpResponse:
    member = cast(MemberRequest, request)
    today = day_of(member.organisation)
    mine = crews.numbers_of(member.user.pk, member.organisation.pk)
    values = phone_day.day_of(phone_day.visits_of_day(today, mine), today) | {
        "server_now": timezone.now().isoformat(),
        "csrf": get_token(request),
        "person": {"id": member.user.pk, "name": str(member.user)},
        "organisation": {"id": member.organisation.pk, "invented": member.organisation.invented},
    }
    return _private(JsonResponse(values))


def _private(response: HttpResponse) -> HttpResponse:
    response["Cache-Control"] = "no-store"
    return response


@page(Need.WORK)
@require_POST
def sync(request: HttpRequest) -> HttpResponse:
    """A batch of entries, each applied once; the answer says of each what came of it."""
    now = timezone.now()
    try:
        sent = json.loads(request.body)
        entries = sent["entries"]
        if not isinstance(entries, list) or len(entries) > phone.MAX_ENTRIES:
            raise Unreadable(f"entries: right would be a list of at most {phone.MAX_ENTRIES}.")
        device_now = read_moment(sent.get("device_now"), "device_now")
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        words = (
            str(error)
            if isinstance(error, Unreadable)
            else "Right would be JSON with device_now and entries."
        )
        return JsonResponse({"words": words}, status=400)
    results = phone.take_batch(cast(MemberRequest, request).organisation.pk, entries, device_now, now)
    return _answer(results)


def _answer(results: list[dict[str, Any]]) -> HttpResponse:
    return _private(JsonResponse({"server_now": timezone.now().isoformat(), "results": results}))


@page(Need.WORK)
@require_POST
def photo(request: HttpRequest) -> HttpResponse:
    """One photo from a phone's queue."""
    now = timezone.now()
    try:
        raw = json.loads(request.POST.get("entry", ""))
        device_now = read_moment(request.POST.get("device_now"), "device_now")
    except (ValueError, RecursionError):
        return JsonResponse({"words": "Right would be a photo with its entry as JSON."}, status=400)
    organisation_id = cast(MemberRequest, request).organisation.pk
    return _answer([phone_photo.take(organisation_id, raw, request.FILES.get("photo"), device_now, now)])


@page(Need.READ)
@require_GET
def small_picture(request: HttpRequest, pk: int) -> HttpResponse:
    row: Attachment = get_object_or_404(Attachment.objects, pk=pk, content_type="image/jpeg")
    try:
        content = photos.small(row)
    except FileNotFoundError as error:
        raise Http404 from error
    response = HttpResponse(content, content_type="image/jpeg")
    response["Cache-Control"] = "private, max-age=86400"
    response["X-Content-Type-Options"] = "nosniff"
    return response


@page(Need.WORK)
@require_POST
def go_today(request: HttpRequest, pk: int) -> HttpResponse:
    """Go to a building today: its due tasks become today's visit, and the phone takes it along."""
    building: Building = get_object_or_404(Building.objects.select_related("property__organisation"), pk=pk)
    today = today_of(building.property.organisation, building.property)
    try:
        visit = visits.visit_on(building, today)
    except CareRefused as refused:
        messages.error(request, str(refused))
        return redirect("care:building", pk)
    return redirect(f"{reverse('care:phone')}#/v/{visit.pk}")
