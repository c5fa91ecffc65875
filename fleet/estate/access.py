"""What a view needs, declared once on the view; the request's scope, entered once per request."""

from __future__ import annotations

import enum
import functools
from collections.abc import Callable
from datetime import datetime
from typing import Any, cast

from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect

from fleet.estate.grants import reaches_by_grant
from fleet.estate.models import Membership, Organisation, Person, Property
from fleet.estate.scope import Reach, Scope, current_scope, scoped


class Need(enum.Enum):
    """PUBLIC: anybody. SELF: whoever is signed in, for what is hers alone. The others: what a role grants."""

    PUBLIC = "public"
    SELF = "self"
    READ = "read"
    WORK = "work"
    PLAN = "plan"
    ADMIN = "admin"


Role = Membership.Role
GRANTS: dict[str, frozenset[Need]] = {
    Role.OWNER: frozenset({Need.READ, Need.WORK, Need.PLAN, Need.ADMIN}),
    Role.PLANNER: frozenset({Need.READ, Need.WORK, Need.PLAN}),
    Role.TECHNICIAN: frozenset({Need.READ, Need.WORK}),
    Role.COMPANY: frozenset({Need.READ, Need.WORK}),
    Role.VIEWER: frozenset({Need.READ}),
}
View = Callable[..., HttpResponseBase]
LONGEST_ACTOR = 200  # what the columns hold that say who did it


class MemberRequest(HttpRequest):
    """A request of a signed-in member: what `page` guarantees to its view."""

    user: Person
    membership: Membership
    organisation: Organisation


def narrowed(scope: Scope, need: Need) -> Scope:
    """What of a scope a need opens. A company works where work was granted; it plans and rules only at home."""
    if need is Need.WORK:
        return scope.where_work_is_allowed()
    if need in (Need.PLAN, Need.ADMIN):
        return scope.own_only()
    return scope


def page(need: Need, clients_in_sight: bool = False) -> Callable[[View], View]:
    """Declare what a view needs. Nobody signed in: to the sign-in page; a role without the need: 403.

    A need holds for its rows too: a client's heater does not exist for a company's planner. `clients_in_sight`
    is for the company's own planning over its clients' heaters, which it may read and not change.
    """

    def declare(view: View) -> View:
        @functools.wraps(view)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
            if need is not Need.PUBLIC and not request.user.is_authenticated:
                return redirect_to_login(request.get_full_path())
            if need not in (Need.PUBLIC, Need.SELF):
                if getattr(request, "second_factor_missing", False):
                    return redirect("estate:account")
                if not may(request, need):
                    raise PermissionDenied
                scope = current_scope()
                with scoped(scope if clients_in_sight else narrowed(scope, need)):
                    return view(request, *args, **kwargs)
            return view(request, *args, **kwargs)

        guarded.need = need  # type: ignore[attr-defined]
        return guarded

    return declare


def scope_of(membership: Membership) -> Scope:
    property_ids = None
    if not membership.all_properties:
        through = Membership.properties.through
        property_ids = frozenset(
            through._default_manager.filter(membership_id=membership.pk).values_list("property_id", flat=True)
        )
    person = membership.person
    organisation = membership.organisation
    own = Reach(organisation.pk, property_ids)
    return Scope(
        (own, *reaches_by_grant(organisation, property_ids)),
        person_id=person.pk,
        actor=acting_as(str(person), organisation),
    )


def acting_as(who: str, organisation: Organisation) -> str:
    """The name under which somebody's changes stand; at a client's it says whose person or service it was."""
    if organisation.kind != Organisation.Kind.COMPANY:
        return who[:LONGEST_ACTOR]
    house = f", {organisation}"[: LONGEST_ACTOR // 2]
    return who[: LONGEST_ACTOR - len(house)] + house


def may(request: HttpRequest, need: Need) -> bool:
    membership = getattr(request, "membership", None)
    return membership is not None and need in GRANTS[membership.role]


def needs_at(request: HttpRequest, place: Property) -> frozenset[str]:
    """What she may do at one property: a company's people less at a client's than at home. Pages show no more."""
    scope = current_scope()
    return frozenset(
        need.value
        for need in (Need.READ, Need.WORK, Need.PLAN, Need.ADMIN)
        if may(request, need) and narrowed(scope, need).holds(place.organisation_id, place.pk)
    )


def has_second_factor(person: Person) -> bool:
    """Whether each of her sessions has passed one: setting up the first ends those that had not (`sessions.py`)."""
    from allauth.mfa.utils import is_mfa_enabled

    return bool(is_mfa_enabled(person))


def second_factor_since(person: Person) -> datetime | None:
    """Since when she has had one of those that stand now."""
    from allauth.mfa.models import Authenticator

    first = Authenticator.objects.filter(user_id=person.pk).order_by("created_at").first()
    return first.created_at if first else None


def lacks_second_factor(membership: Membership) -> bool:
    """Whether the organisation asks for a second factor that this person has not set up."""
    return membership.organisation.second_factor_required and not has_second_factor(membership.person)


def _log_file(request: HttpRequest, response: HttpResponse, membership: Membership) -> None:
    """A file that leaves the house stands in the security log."""
    if response.status_code == 200 and response.get("Content-Disposition", "").startswith("attachment"):
        from fleet.estate.security_log import note

        note("export", f"Took the file {request.path}", organisation_id=membership.organisation_id)


class ScopeMiddleware:
    """Enters the scope of the person's chosen membership for the whole request; nobody signed in: an empty one."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        membership = self._membership(request)
        if membership is not None and lacks_second_factor(membership):
            request.second_factor_missing = True  # type: ignore[attr-defined]
            membership = None
        if membership is None:
            with scoped(Scope(())):
                return self.get_response(request)
        member_request = cast(MemberRequest, request)
        member_request.membership = membership
        member_request.organisation = membership.organisation
        with scoped(scope_of(membership)):
            response = self.get_response(request)
            _log_file(request, response, membership)
            return response

    @staticmethod
    def _membership(request: HttpRequest) -> Membership | None:
        if not request.user.is_authenticated:
            return None
        rows = Membership.objects.filter(person_id=request.user.pk).select_related("organisation", "person")
        found = list(rows.order_by("id"))
        request.may_change_organisation = len(found) > 1  # type: ignore[attr-defined]
        chosen = request.session.get("organisation_id")
        return next((row for row in found if row.organisation_id == chosen), found[0] if found else None)
