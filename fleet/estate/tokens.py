"""The verbs of tokens: make one (its secret is shown once), find who it stands for, revoke it at once."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import timedelta

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from fleet.estate.access import (
    GRANTS,
    Need,
    acting_as,
    has_second_factor,
    lacks_second_factor,
    scope_of,
)
from fleet.estate.grants import reaches_by_grant
from fleet.estate.history import record_change
from fleet.estate.models import AccessToken, Membership, Organisation, Property
from fleet.estate.scope import Reach, Scope, scoped, unscoped
from fleet.estate.security_log import logger, note
from fleet.estate.throttle import first_use

MARKS = {AccessToken.Kind.PERSONAL: "alp_", AccessToken.Kind.SERVICE: "als_"}
GIVEABLE = (Need.READ, Need.WORK, Need.PLAN, Need.ADMIN)
MOST_DAYS = 730
USE_NOTED_EVERY = timedelta(minutes=1)


class TokenRefused(ValueError):
    """A token that cannot be made; `problems` says for each field why and what would be right."""

    def __init__(self, problems: dict[str, str]) -> None:
        super().__init__(" ".join(problems.values()))
        self.problems = problems


@dataclass(frozen=True)
class Holder:
    """Whom a token stands for: what it may do and the scope it acts in."""

    token: AccessToken
    organisation: Organisation
    membership: Membership | None
    needs: frozenset[Need]
    scope: Scope


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


@transaction.atomic
def make_token(
    membership: Membership,
    kind: str,
    name: str,
    needs: Iterable[str],
    days: int,
    property_ids: Iterable[int] | None = None,
) -> tuple[AccessToken, str]:
    """Make a token and return it with its secret, which is not kept. `property_ids` None: all that the maker sees."""
    wanted = sorted(set(needs))
    chosen = None if property_ids is None else sorted(set(property_ids))
    problems = _problems(membership, kind, name, wanted, days, chosen)
    if problems:
        raise TokenRefused(problems)
    secret = MARKS[AccessToken.Kind(kind)] + secrets.token_urlsafe(32)
    personal = kind == AccessToken.Kind.PERSONAL
    token = AccessToken.objects.create(
        organisation=membership.organisation,
        kind=kind,
        name=name.strip(),
        digest=_digest(secret),
        ending=secret[-4:],
        person=membership.person if personal else None,
        made_by=membership.person,
        needs=wanted,
        second_factor=has_second_factor(membership.person),
        all_properties=chosen is None,
        expires_at=timezone.now() + timedelta(days=days),
    )
    if chosen is not None:
        token.properties.set(chosen)
    record_change(token, f"{kind} token made", {"may": (None, ", ".join(wanted)), "days": (None, days)})
    may = f"may {', '.join(wanted)}, good {days} days"
    note("token", f"Made {named(token)}: {may}"[:300], organisation_id=token.organisation_id)
    return token, secret


def _problems(
    membership: Membership, kind: str, name: str, needs: list[str], days: int, property_ids: list[int] | None
) -> dict[str, str]:
    may = {need.value for need in GRANTS[membership.role]}
    problems = {}
    if kind not in MARKS:
        problems["kind"] = f"{kind!r} is not a kind of token; personal and service are."
    elif kind == AccessToken.Kind.SERVICE and not (Need.ADMIN.value in may and membership.all_properties):
        problems["kind"] = "Only an owner of all properties makes service tokens."
    if not 1 <= len(name.strip()) <= 100:
        problems["name"] = "Say in 1 to 100 letters what the token is for."
    if not needs or not set(needs) <= {need.value for need in GIVEABLE}:
        problems["needs"] = "Choose what it may do: read, work, plan, admin."
    elif beyond := set(needs) - may:
        problems["needs"] = f"Your own role does not include {', '.join(sorted(beyond))}."
    if not 1 <= days <= MOST_DAYS:
        problems["days"] = f"{days} days cannot be; give 1 to {MOST_DAYS} days."
    if property_ids is not None:
        seen = Property.objects.filter(pk__in=property_ids).count()
        if not property_ids or seen != len(property_ids):
            problems["properties"] = "Choose at least one of your own properties, or all of them."
    return problems


def tokens_of(membership: Membership) -> list[AccessToken]:
    """A person's own tokens, and, for an owner, the organisation's service tokens."""
    mine = Q(person_id=membership.person_id)
    if Need.ADMIN in GRANTS[membership.role] and membership.all_properties:
        mine |= Q(kind=AccessToken.Kind.SERVICE)
    with unscoped("a person of some properties still sees her own tokens"):
        rows = AccessToken.objects.filter(mine, organisation_id=membership.organisation_id)
        return list(rows.select_related("made_by").prefetch_related("properties"))


@transaction.atomic
def revoke_token(membership: Membership, pk: int) -> AccessToken | None:
    """End a token at once; None when there is no such token of hers. Revoked again changes nothing."""
    token = next((row for row in tokens_of(membership) if row.pk == pk), None)
    if token is None:
        return None
    with unscoped("the row was found among the person's own"):
        now = timezone.now()
        if AccessToken.objects.filter(pk=pk, revoked_at=None).update(revoked_at=now):
            token.revoked_at = now
            record_change(token, f"{token.kind} token revoked")
            note("token", f"Revoked {named(token)}", organisation_id=token.organisation_id)
    return token


def named(token: AccessToken) -> str:
    return f"the {token.kind} token {token.name}, ending in {token.ending}"


def find_holder(secret: str) -> Holder | None:
    """Whom this secret stands for now; None when it is unknown or opens nothing any more."""
    with unscoped("a token opens its own scope"):
        token: AccessToken | None = (
            AccessToken.objects.filter(digest=_digest(secret))
            .select_related("organisation", "person")
            .first()
        )
        if token is None:
            logger.info("token unknown")
            return None
        holder = _personal(token) if token.kind == AccessToken.Kind.PERSONAL else _service(token)
        if isinstance(holder, str):
            note_refusal(token, f"Turned away {named(token)}: {holder}")
            return None
        _note_use(token)
        return holder


def note_refusal(token: AccessToken, words: str) -> None:
    """Tell the owners, once a day for each token and reason: a program that goes on trying fills no log."""
    if first_use("token refused", str(token.pk), words):
        with scoped(Scope((Reach(token.organisation_id),), person_id=token.person_id, actor=token.name)):
            note("token", words[:300], organisation_id=token.organisation_id)


def _shut(token: AccessToken) -> str:
    if token.revoked_at is not None:
        return "it is revoked"
    return "" if token.is_good else "it has expired"


def _chosen(token: AccessToken) -> frozenset[int] | None:
    if token.all_properties:
        return None
    through = AccessToken.properties.through
    rows = through._default_manager.filter(accesstoken_id=token.pk)
    return frozenset(rows.values_list("property_id", flat=True))


def _service(token: AccessToken) -> Holder | str:
    """Its holder, or in words why it opens nothing. A company's reaches its clients as its people do, by grant."""
    if shut := _shut(token):
        return shut
    house, chosen = token.organisation, _chosen(token)
    actor = acting_as(f"service {token.name}", house)
    scope = Scope((Reach(house.pk, chosen), *reaches_by_grant(house, chosen)), actor=actor)
    return Holder(token, house, None, frozenset(map(Need, token.needs)), scope)


def _personal(token: AccessToken) -> Holder | str:
    """The membership as it is now: a role taken away is taken from the token too, and so is a second factor."""
    if shut := _shut(token):
        return shut
    person = token.person
    membership = Membership.objects.filter(organisation_id=token.organisation_id, person=person).first()
    if person is None or not person.is_active or membership is None:
        return "its person has left"
    membership.organisation, membership.person = token.organisation, person
    if token.organisation.second_factor_required and not token.second_factor:
        return "it was made without a second factor"
    if lacks_second_factor(membership):
        return "its person has no second factor"
    scope = _narrowed(scope_of(membership), _chosen(token))
    needs = frozenset(map(Need, token.needs)) & GRANTS[membership.role]
    return Holder(token, token.organisation, membership, needs, scope)


def _narrowed(scope: Scope, chosen: frozenset[int] | None) -> Scope:
    """The scope cut down to the properties that the token was made for."""
    if chosen is None:
        return scope
    return replace(
        scope,
        reaches=tuple(
            replace(reach, property_ids=chosen if reach.property_ids is None else chosen & reach.property_ids)
            for reach in scope.reaches
        ),
    )


def _note_use(token: AccessToken) -> None:
    """At most once a minute, so that reading costs no writing."""
    now = timezone.now()
    if token.last_used_at is None or token.last_used_at < now - USE_NOTED_EVERY:
        AccessToken.objects.filter(pk=token.pk).update(last_used_at=now)
