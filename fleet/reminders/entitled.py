"""Who may hear of what: asked of the one central scope, again at each step, never remembered."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from django.db.models import Q

from fleet.estate.access import GRANTS, Need, scope_of
from fleet.estate.grant_rows import AccessGrant
from fleet.estate.models import Happening, Membership, Person
from fleet.estate.scope import Scope, scoped, unscoped

# Which need a person must have to be told of a kind; kinds not named here need to be read only.
NEED_OF_KIND = {
    "unsafe_finding": Need.WORK,
    "leak_reported": Need.WORK,
    "safety_task_missed": Need.WORK,
    "contract_deadline": Need.PLAN,
    "warranty_ends": Need.PLAN,
    "offer_received": Need.PLAN,
    "offer_answered": Need.PLAN,
    "contribution_due": Need.PLAN,
    "hook_switched_off": Need.ADMIN,
}

NEVER_URGENT = ("warranty_ends", "contribution_due")  # read in the inbox and the next digest


@dataclass(frozen=True)
class Sight:
    """One person with everything that she may see today, over all her memberships."""

    person: Person
    scope: Scope
    memberships: tuple[Membership, ...] = field(compare=False, default=())

    @property
    def home_id(self) -> int:
        """The organisation in whose outbox her digests stand."""
        return self.memberships[0].organisation_id


def sights(person_ids: Iterable[int]) -> dict[int, Sight]:
    """What each of these people may see now; whoever may see nothing, or left, is not there."""
    rows = (
        Membership.objects.filter(person_id__in=list(person_ids), person__is_active=True)
        .select_related("person", "organisation")
        .order_by("person_id", "id")
    )
    whole: dict[int, Scope] = {}
    found: dict[int, list[tuple[Membership, Scope]]] = {}
    for row in rows:
        scope = whole.get(row.organisation_id) if row.all_properties else None
        if scope is None:
            scope = scope_of(row)
            if row.all_properties:
                whole[row.organisation_id] = scope
        found.setdefault(row.person_id, []).append((row, scope))
    return {
        number: Sight(
            parts[0][0].person,
            Scope(
                tuple(reach for _, scope in parts for reach in scope.reaches),
                person_id=number,
                actor=str(parts[0][0].person),
            ),
            tuple(row for row, _ in parts),
        )
        for number, parts in found.items()
    }


def sight_of(person_id: int) -> Sight | None:
    return sights([person_id]).get(person_id)


def may_hear(membership: Membership, happening: Happening) -> bool:
    """Whether this membership's role and scope cover what happened."""
    need = NEED_OF_KIND.get(happening.kind, Need.READ)
    if need not in GRANTS[membership.role]:
        return False
    scope = scope_of(membership)
    if need in (Need.PLAN, Need.ADMIN) and membership.organisation_id != happening.organisation_id:
        return False
    with scoped(scope):
        return bool(Happening.objects.filter(pk=happening.pk).exists())


class Listeners:
    """Who may hear of some happenings, asked in one step: members are read once a house, not once a happening."""

    def __init__(self) -> None:
        self._members: dict[int, list[Membership]] = {}
        self._alike: dict[tuple[int, str, str, int | None], bool] = {}

    def of(self, happening: Happening) -> list[Membership]:
        """One membership of each person who may hear of it: the organisation's own people and its companies'."""
        house = happening.organisation_id
        if house not in self._members:
            self._members[house] = _members_near(house)
        found: dict[int, Membership] = {}
        for row in self._members[house]:
            if row.person_id not in found and self._hears(row, happening):
                found[row.person_id] = row
        return list(found.values())

    def _hears(self, row: Membership, happening: Happening) -> bool:
        """Whoever sees a whole organisation in one role hears the same; a company is let in by the property."""
        if not row.all_properties:
            return may_hear(row, happening)
        at = None if row.organisation_id == happening.organisation_id else happening.pk
        alike = (row.organisation_id, row.role, happening.kind, at)
        if alike not in self._alike:
            self._alike[alike] = may_hear(row, happening)
        return self._alike[alike]


def _members_near(organisation_id: int) -> list[Membership]:
    near = Q(organisation_id=organisation_id) | Q(organisation__in=_companies_at(organisation_id))
    rows = Membership.objects.filter(near, person__is_active=True)
    return list(rows.select_related("person", "organisation").order_by("id"))


def _companies_at(organisation_id: int) -> list[int]:
    """Companies with a grant in the organisation: whether it covers what happened is asked of their scope."""
    with unscoped("grants stand in the organisation that gave them"):
        grants = AccessGrant.objects.filter(organisation_id=organisation_id, revoked_at=None)
        return list(grants.order_by().values_list("company_id", flat=True).distinct())
