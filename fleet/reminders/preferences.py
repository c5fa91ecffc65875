"""The verbs of what a person wants to hear, and what holds where she said nothing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from django.core import signing
from django.db import transaction
from django.utils import timezone

from fleet.estate.models import Membership, Organisation, Person, Property
from fleet.estate.scope import scoped, unscoped
from fleet.reminders.entitled import Sight, sights
from fleet.reminders.models import Correspondent, Preference
from fleet.reminders.moments import Wish

Role = Membership.Role
# Where a person said nothing. Judgement, no source: who works there hears daily, who plans weekly.
RHYTHM_OF_ROLE = {
    Role.OWNER: "weekly",
    Role.PLANNER: "weekly",
    Role.TECHNICIAN: "daily",
    Role.COMPANY: "daily",
    Role.VIEWER: "none",
}
DIGESTS, ALERTS = "digests", "alerts"
_SALT = "reminders.stop"


class WishRefused(ValueError):
    """A wish that cannot be; `problems` says for each field why and what would be right."""

    def __init__(self, problems: Mapping[str, str]) -> None:
        super().__init__(" ".join(problems.values()))
        self.problems = dict(problems)


@dataclass(frozen=True)
class Own:
    """A person's own rows, one query for many people."""

    rows: dict[tuple[int, int, int | None], Preference]
    usual: dict[tuple[int, int], Preference] = field(default_factory=dict)  # where she said nothing

    def of(self, membership: Membership, property_id: int | None) -> Preference:
        key = (membership.person_id, membership.organisation_id)
        said = self.rows.get((*key, property_id)) or self.rows.get((*key, None)) or self.usual.get(key)
        if said is None:
            said = self.usual[key] = Preference(
                organisation_id=membership.organisation_id,
                person_id=membership.person_id,
                rhythm=RHYTHM_OF_ROLE[Role(membership.role)],
                alerts_by_mail=membership.role != Role.VIEWER,
            )
        return said


def own_preferences(person_ids: Iterable[int]) -> Own:
    with unscoped("people's own wishes, found by who they are"):
        rows = Preference.objects.filter(person_id__in=list(person_ids))
        return Own({(row.person_id, row.organisation_id, row.property_id): row for row in rows})


def wish_of(preference: Preference, zone: str) -> Wish:
    names = ("rhythm", "hour", "weekday", "budget_day", "quiet_from", "quiet_until")
    return Wish(zone=zone, **{name: getattr(preference, name) for name in names})


_LIMITS = {
    "hour": (0, 23),
    "quiet_from": (0, 23),
    "quiet_until": (0, 23),
    "weekday": (0, 6),
    "budget_day": (1, 28),
}


@transaction.atomic
def set_preference(
    person: Person, organisation: Organisation, property_: Property | None, values: Mapping[str, Any]
) -> Preference:
    """Keep how she wants to hear of one property, or of all others; her next digest is found anew."""
    problems = {}
    if values.get("rhythm") not in Preference.Rhythm.values:
        problems["rhythm"] = (
            f"{values.get('rhythm')!r} is not a rhythm; right would be one of {', '.join(Preference.Rhythm.values)}."
        )
    for name, (low, high) in _LIMITS.items():
        value = values.get(name)
        if value is not None and not (isinstance(value, int) and low <= value <= high):
            problems[name] = f"{name.replace('_', ' ')} is {value!r}; right would be {low} to {high}."
    if problems:
        raise WishRefused(problems)
    known = {*_LIMITS, "rhythm", "alerts_by_mail", "alerts_wait"}
    row: Preference
    with unscoped("a person's own wishes"):
        row, _ = Preference.objects.update_or_create(
            person=person,
            organisation=organisation,
            property=property_,
            defaults={name: value for name, value in values.items() if name in known and value is not None},
        )
    stopped = {} if row.rhythm == "none" else {"digests_stopped_at": None}
    if row.alerts_by_mail:
        stopped["alerts_stopped_at"] = None
    Correspondent.objects.update_or_create(person=person, defaults={"look_again": True, **stopped})
    return row


@transaction.atomic
def drop_preference(person: Person, property_: Property) -> None:
    """Back to what holds for all others."""
    with unscoped("a person's own wishes"):
        Preference.objects.filter(person=person, property=property_).delete()
    Correspondent.objects.update_or_create(person=person, defaults={"look_again": True})


def stop_token(person_id: int, what: str) -> str:
    return signing.dumps([person_id, what], salt=_SALT)


def read_stop_token(token: str) -> tuple[int, str] | None:
    """Who wants to stop what; None for a token that we did not write."""
    try:
        person_id, what = signing.loads(token, salt=_SALT)
    except (signing.BadSignature, ValueError, TypeError):
        return None
    return (person_id, what) if what in (DIGESTS, ALERTS) else None


@transaction.atomic
def stop(person_id: int, what: str) -> bool:
    """No more mail of this sort, until she chooses otherwise on her page. False when the person is gone."""
    if not Person.objects.filter(pk=person_id).exists():
        return False
    field = f"{what}_stopped_at"
    Correspondent.objects.update_or_create(
        person_id=person_id, defaults={field: timezone.now(), "look_again": True}
    )
    return True


def wishes_of_many(person_ids: Iterable[int]) -> dict[int, tuple[Sight, set[Wish]]]:
    """For each person what she may see and her distinct wishes. Queries do not grow with the number of people."""
    ids = list(person_ids)
    seen, own = sights(ids), own_preferences(ids)
    places: dict[tuple[object, ...], list[tuple[int, str]]] = {}
    found: dict[int, tuple[Sight, set[Wish]]] = {}
    for number, sight in seen.items():
        reaches = sight.scope.reaches
        if reaches not in places:
            with scoped(sight.scope):
                places[reaches] = list(Property.objects.order_by("id").values_list("pk", "time_zone"))
        found[number] = (sight, _wishes(sight, own, places[reaches]))
    return found


def _wishes(sight: Sight, own: Own, places: list[tuple[int, str]]) -> set[Wish]:
    """Where two memberships reach one property, the first one's wishes hold."""
    first = sight.memberships[0]
    own_rows = {key[2] for key in own.rows if key[0] == sight.person.pk}
    wishes: set[Wish] = set()
    general = own.of(first, None)
    if not own_rows - {None} and len(sight.memberships) == 1:
        return {wish_of(general, zone) for zone in {zone for _, zone in places}}
    home = {member.organisation_id: member for member in sight.memberships}
    organisation_of = dict(_organisations(sight))
    for property_id, zone in places:
        member = home.get(organisation_of.get(property_id, 0), first)
        wishes.add(wish_of(own.of(member, property_id), zone))
    return wishes


def _organisations(sight: Sight) -> list[tuple[int, int]]:
    with scoped(sight.scope):
        return list(Property.objects.order_by("id").values_list("pk", "organisation_id"))
