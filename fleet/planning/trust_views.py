"""'How far to trust it': the verdict, the pictures and the tables behind them; asking for a check."""

from __future__ import annotations

from typing import Any, cast

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import cache_control, never_cache
from django.views.decorators.http import require_GET, require_POST

from fleet.estate.access import MemberRequest, Need, page
from fleet.pages import charts, curves
from fleet.planning import selectors, trust, trust_words
from fleet.planning.models import TrustCheck
from fleet.planning.prices import kind_words


def _organisation_id(request: HttpRequest) -> int:
    return cast(MemberRequest, request).organisation.pk


@page(Need.READ)
@require_GET
@never_cache
def how_far(request: HttpRequest) -> HttpResponse:
    number = _organisation_id(request)
    check, under_way, ended = (
        trust.latest_check(number),
        trust.open_check_of(number),
        trust.last_ended(number),
    )
    run = selectors.latest_run(number)
    context: dict[str, Any] = {
        "check": check,
        "under_way": under_way,
        "failed": ended if ended and ended.state == TrustCheck.State.FAILED else None,
        "run": run,
        "newer_run": bool(check and run and check.run_id != run.pk),
    }
    if check is not None:
        context |= _shown(check)
    return render(request, "planning/trust.html", context)


def _shown(check: TrustCheck) -> dict[str, Any]:
    result: dict[str, Any] = check.result or {}
    return {
        "result": result,
        "title": trust_words.verdict_title(result["verdict"]),
        "weak_spots": trust_words.weak_spots(result["verdict"]),
        "landmark_headings": trust_words.LANDMARK_HEADINGS,
        "landmarks": [
            {"made": made, "cells": list(zip(trust_words.LANDMARK_HEADINGS[1:], cells, strict=True))}
            for made, *cells in trust_words.landmark_rows(result)
        ],
        "sample": trust_words.sample_words(result),
        "coverage": trust_words.coverage_words(result),
        "scores": trust_words.score_rows(result),
        "curves": [{**curve, "words": kind_words(curve["kind"])} for curve in result["curves"]],
        "groups": [
            (grouping, heading, title, trust_words.expected_rows(result, grouping))
            for grouping, (heading, title) in trust_words.GROUPING_WORDS.items()
        ],
    }


def _result(request: HttpRequest) -> dict[str, Any]:
    check = trust.latest_check(_organisation_id(request))
    if check is None or not check.result:
        raise Http404
    return check.result


def _picture(spec: charts.Spec) -> HttpResponse:
    response = HttpResponse(charts.svg(spec), content_type="image/svg+xml")
    response["X-Content-Type-Options"] = "nosniff"
    return response


@page(Need.READ)
@require_GET
@cache_control(private=True, max_age=30)
def survival_picture(request: HttpRequest, kind: str) -> HttpResponse:
    curve = next((row for row in _result(request)["curves"] if row["kind"] == kind), None)
    if curve is None:
        raise Http404
    narrow = request.GET.get("narrow") == "1"
    return _picture(
        curves.survival_against_model(curve["observed"], curve["model"], kind_words(kind), narrow)
    )


@page(Need.READ)
@require_GET
@cache_control(private=True, max_age=30)
def failures_picture(request: HttpRequest, grouping: str) -> HttpResponse:
    if grouping not in trust_words.GROUPING_WORDS:
        raise Http404
    rows = [
        {
            "name": row["name"],
            "observed": row["observed"],
            "expected": row["expected"],
            "low": row["expected_p10"],
            "high": row["expected_p90"],
        }
        for row in trust_words.expected_rows(_result(request), grouping)[:40]
    ]
    if not rows:
        raise Http404
    heading = trust_words.GROUPING_WORDS[grouping][0]
    return _picture(charts.failures_against_expected(rows, heading, request.GET.get("narrow") == "1"))


@page(Need.PLAN)
@require_POST
def ask(request: HttpRequest) -> HttpResponse:
    trust.request_check(cast(MemberRequest, request).organisation)
    messages.info(request, "The check is under way; this page shows it when it is done.")
    return redirect("planning:trust")


@page(Need.PLAN)
@require_POST
def cancel(request: HttpRequest, pk: int) -> HttpResponse:
    trust.cancel_check(get_object_or_404(TrustCheck.objects.select_related("job"), pk=pk))
    return redirect("planning:trust")
