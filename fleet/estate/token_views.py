"""The tokens page: make one, see when each was last used, revoke it at once."""

from __future__ import annotations

from typing import Any, cast

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from fleet.estate import tokens as verbs
from fleet.estate.access import GRANTS, MemberRequest, Need, page
from fleet.estate.choice_fields import WhereForm, some_properties
from fleet.estate.models import AccessToken, Membership
from fleet.estate.row_numbers import row_number

NEED_WORDS = {
    Need.READ: "read the record, the queue and the plan",
    Need.WORK: "do the work: findings, heaters, service records",
    Need.PLAN: "plan: import, forecasts, prices, care rules",
    Need.ADMIN: "administer",
}
DAYS = (30, 90, 365, 730)


@page(Need.READ)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def tokens(request: HttpRequest) -> HttpResponse:
    """The secret is in the answer to the POST and nowhere else: it is shown once."""
    membership = cast(MemberRequest, request).membership
    problems: dict[str, str] = {}
    secret = ""
    where = _where(request)
    if request.method == "POST":
        try:
            _, secret = verbs.make_token(membership, **_wishes(request, where))
        except verbs.TokenRefused as refusal:
            problems = refusal.problems | where.problems
    typed = request.POST if problems else QueryDict()
    context = _shown(membership) | {"problems": problems, "secret": secret, "typed": typed}
    context["ticked"] = typed.getlist("needs") if problems else ["read"]
    context["lasts"] = row_number(typed.get("days", "365"))
    context["where"] = (where if problems else _where(None))["properties"]
    return render(request, "estate/tokens.html", context, status=422 if problems else 200)


def _where(request: HttpRequest | None) -> WhereForm:
    field = some_properties("Only these properties", help_text="Choose none for all that you see.")
    return WhereForm(request.POST if request and request.method == "POST" else None, "properties", field)


def _wishes(request: HttpRequest, where: WhereForm) -> dict[str, Any]:
    """What leads to no property must not become a token for all: the verb refuses an empty choice."""
    asked = request.POST
    days, chosen = asked.get("days", ""), [row.pk for row in where.chosen or ()]
    return {
        "kind": asked.get("kind", AccessToken.Kind.PERSONAL),
        "name": asked.get("name", ""),
        "needs": asked.getlist("needs"),
        "days": row_number(days),
        "property_ids": chosen if chosen or where.problems else None,
    }


def _shown(membership: Membership) -> dict[str, Any]:
    may = GRANTS[membership.role]
    return {
        "tokens": verbs.tokens_of(membership),
        "choosable": [(need.value, words) for need, words in NEED_WORDS.items() if need in may],
        "days": DAYS,
        "asks_factor": membership.organisation.second_factor_required,
        "may_make_service": Need.ADMIN in may and membership.all_properties,
    }


@page(Need.READ)
@require_POST
def revoke(request: HttpRequest, pk: int) -> HttpResponse:
    token = verbs.revoke_token(cast(MemberRequest, request).membership, pk)
    if token is None:
        raise Http404
    messages.success(request, f"{token.name} is revoked: it opens nothing from now on.")
    return redirect("estate:tokens")
