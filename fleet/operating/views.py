"""For the machine that watches: alive, ready, and the metrics for whoever holds their token."""

from __future__ import annotations

import hmac

from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET
from prometheus_client import CONTENT_TYPE_LATEST

from fleet.estate.access import Need, page
from fleet.operating import conditions


@page(Need.PUBLIC)
@require_GET
@never_cache
def health(request: HttpRequest) -> HttpResponse:
    """Alive: this process answers. It asks nothing of the database: restarting the pages would not mend that."""
    return JsonResponse({"status": "ok", "version": settings.VERSION})


@page(Need.PUBLIC)
@require_GET
@never_cache
def ready(request: HttpRequest) -> HttpResponse:
    """Ready: send requests here. Says which part is missing, and nothing else to a stranger."""
    found = conditions.readiness()
    serves = found["database"] and found["migrations"]
    words = "ready" if all(found.values()) else "serving without a part" if serves else "not ready"
    return JsonResponse({"status": words, "parts": found}, status=200 if serves else 503)


@page(Need.PUBLIC)
@require_GET
@never_cache
def metrics(request: HttpRequest) -> HttpResponse:
    """Only with `Authorization: Bearer TOKEN` of ALMANAC_METRICS_TOKEN; without such a setting there is no such page."""
    from fleet.operating.metrics import written

    wanted = f"Bearer {settings.METRICS_TOKEN}".encode()
    given = request.headers.get("Authorization", "").encode()
    if not settings.METRICS_TOKEN or not hmac.compare_digest(given, wanted):
        raise Http404
    return HttpResponse(written(), content_type=CONTENT_TYPE_LATEST)
