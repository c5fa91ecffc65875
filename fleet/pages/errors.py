"""Error pages that tell a person what to do and a stranger nothing."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render


def not_found(request: HttpRequest, exception: Any = None) -> HttpResponse:
    return render(request, "pages/error.html", {"heading": "There is nothing here"}, status=404)


def forbidden(request: HttpRequest, exception: Any = None) -> HttpResponse:
    return render(request, "pages/error.html", {"heading": "Your role does not include this"}, status=403)


def bad_request(request: HttpRequest, exception: Any = None) -> HttpResponse:
    """Without a template: what was sent may be what breaks one."""
    return HttpResponse(
        "<!doctype html><title>Not understood</title><p>What was sent cannot be understood. Nothing was changed.",
        status=400,
    )


def stale_form(request: HttpRequest, reason: str = "") -> HttpResponse:
    heading = "This form was open too long. Go back, load the page again, and send it once more"
    return render(request, "pages/error.html", {"heading": heading}, status=403)


def broken(request: HttpRequest) -> HttpResponse:
    return HttpResponse(
        "<!doctype html><title>Something went wrong</title><p>Something went wrong on our side. Nothing was half saved.",
        status=500,
    )
