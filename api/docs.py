"""The document of the API and its readable form: served from the committed file, so nothing is made up on the way."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from api.door import METHODS, ApiView
from api.operations import operation
from api.problems import KINDS
from fleet.estate.access import Need, page

FILE = Path(__file__).with_name("openapi.yaml")


@cache
def _content() -> bytes:
    return FILE.read_bytes()


@page(Need.PUBLIC)
@require_GET
def document(request: HttpRequest) -> HttpResponse:
    return HttpResponse(_content(), content_type="application/yaml; charset=utf-8")


@page(Need.PUBLIC)
@require_GET
def document_json(request: HttpRequest) -> HttpResponse:
    from api.readable import as_json

    return HttpResponse(as_json(), content_type="application/json")


@page(Need.PUBLIC)
@require_GET
def docs(request: HttpRequest) -> HttpResponse:
    from api.readable import chapters, shapes

    context = {"chapters": chapters(), "shapes": shapes(), "problems": KINDS.items()}
    return render(request, "api/docs.html", context)


class NothingHere(ApiView):
    """Whatever else is asked below the API's address."""

    def _nothing(self, request: Any) -> Any:
        raise Http404

    for _method in METHODS:
        locals()[_method] = operation(Need.PUBLIC, "Nothing is here.")(_nothing)
    del _method
