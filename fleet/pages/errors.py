"""Error pages that tell a person what to do and a stranger nothing."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render


def _page(request: HttpRequest, heading: str, what_to_do: str, status: int) -> HttpResponse:
    values = {"heading": heading, "what_to_do": what_to_do}
    return render(request, "pages/error.html", values, status=status)


def not_found(request: HttpRequest, exception: Any = None) -> HttpResponse:
    words = "The address may be mistyped, or what stood here was removed, or it is not open to you."
    return _page(request, "There is nothing here", words, 404)


def forbidden(request: HttpRequest, exception: Any = None) -> HttpResponse:
    words = "An owner of the organisation can change your role, under More, People."
    return _page(request, "Your role does not include this", words, 403)


def stale_form(request: HttpRequest, reason: str = "") -> HttpResponse:
    words = "Nothing was changed. Go back, load the page again, and send it once more."
    return _page(request, "This form was open too long", words, 403)


def _bare(title: str, words: str, status: int) -> HttpResponse:
    """Without a template: what was sent, or the program itself, may be what breaks one."""
    return HttpResponse(
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{title}</title></head><body><main><h1>{title}</h1><p>{words}</p>"
        '<p><a href="/">Back to the start</a></p></main></body></html>',
        status=status,
    )


def bad_request(request: HttpRequest, exception: Any = None) -> HttpResponse:
    return _bare("Not understood", "What was sent cannot be understood. Nothing was changed.", 400)


def broken(request: HttpRequest) -> HttpResponse:
    words = "Something went wrong on our side. Nothing was half saved; try again in a moment."
    return _bare("Something went wrong", words, 500)
