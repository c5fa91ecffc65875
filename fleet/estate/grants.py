"""Who opened which properties to which company: the verbs, and the reaches that a company's people get from them.

Read again at every request: a grant revoked, or past its last day, opens nothing from that moment on.
"""

from __future__ import annotations

import functools
import secrets
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from datetime import date

from django.db import transaction
from django.utils import timezone

from fleet.estate.calendar import today_in, today_of
from fleet.estate.grant_rows import AccessGrant, CompanyCode
from fleet.estate.history import Change, record_change, record_changes
from fleet.estate.models import Organisation, Property
from fleet.estate.scope import Level, Reach, Scope, current_scope, unscoped

ALPHABET = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"  # no letter that can be read as a digit


class GrantRefused(ValueError):
    """Access that cannot be granted; `problems` says for each field why and what would be right."""

    def __init__(self, problems: dict[str, str]) -> None:
        super().__init__(" ".join(problems.values()))
        self.problems = problems


@dataclass(frozen=True)
class Client:
    """What a company was granted by one owner's organisation, property by property."""

    organisation: Organisation
    properties: dict[int, Level]
    until: dict[int, date | None]

    def at_least(self, level: Level) -> frozenset[int]:
        return frozenset(number for number, found in self.properties.items() if found >= level)


@transaction.atomic
def code_of(company: Organisation) -> str:
    """The company's code, made the first time it is asked for."""
    row = CompanyCode.objects.filter(organisation=company).first()
    if row is None:
        letters = "".join(secrets.choice(ALPHABET) for _ in range(8))
        row, _ = CompanyCode.objects.get_or_create(
            organisation=company, defaults={"code": f"{letters[:4]}-{letters[4:]}"}
        )
    return str(row.code)


def company_with_code(written: str) -> Organisation | None:
    code = "".join(letter for letter in written.upper() if letter in ALPHABET)
    with unscoped("a company is found only by the code that it gave away"):
        row = CompanyCode.objects.filter(
            code=f"{code[:4]}-{code[4:]}", organisation__kind=Organisation.Kind.COMPANY
        ).select_related("organisation")
        return row[0].organisation if row else None


@transaction.atomic
def grant_access(
    owner: Organisation,
    code: str,
    property_ids: Collection[int],
    level: int,
    until: date | None = None,
) -> AccessGrant:
    """Open properties of the owner's organisation to the company with this code."""
    problems = {}
    company = company_with_code(code)
    if company is None or company.pk == owner.pk:
        problems["code"] = f"No plumbing company has the code {code!r}. Ask the company for its code."
    chosen = list(Property.objects.filter(organisation=owner, pk__in=property_ids).order_by("pk"))
    if not chosen or len(chosen) != len(set(property_ids)):
        problems["properties"] = "Choose at least one of your properties."
    if level not in [found.value for found in Level]:
        problems["level"] = "Choose survey, work, or work and outlook."
    if level == Level.SURVEY and until is None:
        problems["until"] = "A survey ends on a day; give its last day."
    if until is not None and until < today_of(owner):
        problems["until"] = f"The last day {until} has passed; give today, {today_of(owner)}, or later."
    if problems or company is None:
        raise GrantRefused(problems)
    row: AccessGrant = AccessGrant.objects.create(
        organisation=owner,
        company=company,
        level=level,
        until=until,
        granted_at=timezone.now(),
        granted_by=current_scope().actor,
    )
    row.properties.set(chosen)
    what = {"access": ("none", str(row)), "until": ("", str(until or "revoked"))}
    record_changes(Change(row, "access granted", what, property_id=place.pk) for place in chosen)
    return row


@transaction.atomic
def revoke_access(grant: AccessGrant, reason: str = "") -> bool:
    """Close it at once. False when it was closed already."""
    changed = AccessGrant.objects.filter(pk=grant.pk, revoked_at=None).update(
        revoked_at=timezone.now(), revoked_by=current_scope().actor or "the program", reason=reason[:300]
    )
    if changed:
        record_change(grant, "access revoked", {"access": (str(grant), "none")}, reason)
    return bool(changed)


def clients_of(company: Organisation, by_name: bool = True) -> list[Client]:
    """What is open to the company today; where two grants meet on a property the further one holds.

    `by_name` False: the properties in no order, for they may be thousands, at every request.
    """
    if company.kind != Organisation.Kind.COMPANY:
        return []
    with unscoped("a company's grants stand in the organisations of those who gave them"):
        grants = {
            grant.pk: grant
            for grant in AccessGrant.objects.filter(company=company, revoked_at=None)
            .select_related("organisation")
            .order_by("organisation__name", "level", "id")
        }
    if not grants:
        return []
    # Plain rows, for they may be thousands.
    places = AccessGrant.properties.through._default_manager.filter(accessgrant_id__in=grants)
    opened: dict[int, list[tuple[int, int, str]]] = defaultdict(list)
    columns = ("accessgrant_id", "property_id", "property__organisation_id", "property__time_zone")
    order = ("property__name", "property_id") if by_name else ()
    for number, *place in places.order_by(*order).values_list(*columns):
        opened[number].append((place[0], place[1], place[2]))
    found: dict[int, Client] = {}
    for number, grant in grants.items():
        level, in_force = Level(grant.level), _in_force_by_zone(grant)
        for property_id, organisation_id, zone in opened[number]:
            if organisation_id != grant.organisation_id or not in_force(zone):
                continue
            client = found.setdefault(grant.organisation_id, Client(grant.organisation, {}, {}))
            client.properties[property_id] = level
            client.until[property_id] = grant.until
    return list(found.values())


def _in_force_by_zone(grant: AccessGrant) -> Callable[[str], bool]:
    """Whether the grant's last day is not over yet, each time zone looked up once for all properties in it."""

    @functools.cache
    def in_force(zone: str) -> bool:
        return grant.until is None or today_in(grant.organisation, zone) <= grant.until

    return in_force


def reaches_by_grant(company: Organisation, only: frozenset[int] | None = None) -> Iterable[Reach]:
    """The reaches into clients' properties; `only` keeps to those that one of its people is limited to."""
    reaches = []
    for client in clients_of(company, by_name=False):
        by_level: dict[Level, set[int]] = defaultdict(set)
        for number, level in client.properties.items():
            if only is None or number in only:
                by_level[level].add(number)
        reaches += [
            Reach(client.organisation.pk, frozenset(numbers), level) for level, numbers in by_level.items()
        ]
    return reaches


def scope_of_company(
    company: Organisation, client_id: int | None = None, actor: str = "the program"
) -> Scope:
    """The scope of a job that serves a company: its own rows and what clients granted (or one client alone)."""
    reaches = [
        reach
        for reach in reaches_by_grant(company)
        if client_id is None or reach.organisation_id == client_id
    ]
    return Scope((Reach(company.pk), *reaches), actor=actor)
