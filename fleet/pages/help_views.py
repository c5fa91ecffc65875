"""Explain yourself: how the forecast is made and from which sources, the trade's words, the keys, the guide."""

from __future__ import annotations

import csv
import tomllib
from functools import lru_cache
from typing import Any, cast

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from fleet.estate.access import MemberRequest, Need, may, page
from fleet.estate.models import Organisation
from fleet.pages import forecasts, guide, navigation
from fleet.planning.explained import assumptions, how_sure
from fleet.planning.prices import kind_words

WHOSE = {"trade": "trade word", "standard": "of statistics or standards", "ours": "our own word"}


@lru_cache
def glossary() -> list[dict[str, str]]:
    text = (settings.ROOT / "fixtures" / "glossary.toml").read_text(encoding="utf-8")
    rows = tomllib.loads(text)["term"]
    return [
        {**row, "anchor": row["word"].lower().replace(" ", "-").replace(",", ""), "whose": WHOSE[row["kind"]]}
        for row in sorted(rows, key=lambda row: str(row["word"]).lower())
    ]


@lru_cache
def sources() -> list[dict[str, Any]]:
    """Each source of the shipped lifetimes once, with the kinds it speaks of and how many rows it gives."""
    found: dict[str, dict[str, Any]] = {}
    with (settings.ROOT / "fixtures" / "lifetimes.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            entry = found.setdefault(
                row["source"], {"source": row["source"], "kinds": set(), "rows": 0, "status": row["status"]}
            )
            entry["kinds"] |= {
                "all kinds" if kind == "*" else kind_words(kind) for kind in row["kinds"].split()
            }
            entry["rows"] += 1
    return [{**entry, "kinds": "; ".join(sorted(entry["kinds"]))} for entry in found.values()]


@page(Need.READ)
@require_GET
def trade_words(request: HttpRequest) -> HttpResponse:
    return render(request, "pages/trade_words.html", {"terms": glossary()})


@page(Need.READ)
@require_GET
def user_guide(request: HttpRequest) -> HttpResponse:
    # Her own chapter first. A step of the other side's would lead to a page that does not exist for the reader.
    is_company = cast(MemberRequest, request).organisation.kind == Organisation.Kind.COMPANY
    crew = may(request, Need.WORK) and not may(request, Need.PLAN)
    users = sorted(
        guide.users(),
        key=lambda user: not (user.is_company if is_company else crew and user.role == "technician"),
    )
    return render(request, "pages/guide.html", {"users": users, "is_company": is_company})


@page(Need.READ)
@require_GET
def keys(request: HttpRequest) -> HttpResponse:
    member = cast(MemberRequest, request)
    needs = {need.value for need in Need if may(request, need)}
    first = navigation.menu(needs, "/", member.organisation.kind)[0].label
    return render(request, "pages/keys.html", {"first": first})


@page(Need.READ)
@require_GET
def method(request: HttpRequest) -> HttpResponse:
    run = forecasts.latest_run(cast(MemberRequest, request).organisation.pk)
    context: dict[str, Any] = {"run": run, "sources": sources()}
    if run is not None:
        context |= {"sure": how_sure(run), "stands": assumptions(run)}
    return render(request, "pages/method.html", context)
