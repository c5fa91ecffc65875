"""The tokens page: make one, see when each was last used, revoke it at once."""

from __future__ import annotations

from typing import Any, cast

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from fleet.estate import tokens as verbs
from fleet.estate.access import GRANTS, MemberRequest, Need, page
from fleet.estate.models import AccessToken, Membership, Property
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
    if request.method == "POST":
        try:
            _, secret = verbs.make_token(membership, **_wishes(request))
        except verbs.TokenRefused as refusal:
            problems = refusal.problems
    context = _shown(membership) | {"problems": problems, "secret": secret, "typed": request.POST}
    context["ticked"] = request.POST.getlist("needs") if problems else ["read"]
    return render(request, "estate/tokens.html", context, status=422 if problems else 200)


def _wishes(request: HttpRequest) -> dict[str, Any]:
    asked = request.POST
    days, chosen = asked.get("days", ""), [row_number(text) for text in asked.getlist("properties")]
    return {
        "kind": asked.get("kind", AccessToken.Kind.PERSONAL),
        "name": asked.get("name", ""),
        "needs": asked.getlist("needs"),
        "days": row_number(days),
        "property_ids": chosen or None,
    }


def _shown(membership: Membership) -> dict[str, Any]:
    may = GRANTS[membership.role]
    return {
        "tokens": verbs.tokens_of(membership),
        "choosable": [(need.value, words) for need, words in NEED_WORDS.items() if need in may],
        "days": DAYS,
        "asks_factor": membership.organisation.second_factor_required,
        "properties": Property.objects.order_by("name").values("id", "name")[:500],
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
