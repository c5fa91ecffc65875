"""The verbs of crews, and of what a property asks of them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from django.db import IntegrityError, transaction

from fleet.care.kinds import WORKERS
from fleet.care.licences import EVERYBODY
from fleet.care.models import Crew, SiteCare
from fleet.care.reading import CareRefused
from fleet.estate.history import record_change
from fleet.estate.models import Membership, Organisation, Person, Property
from fleet.estate.scope import unscoped
from fleet.pages.words import how_long

LICENCES = {code: words for code, words in WORKERS.items() if code != EVERYBODY}


def numbers_of(person_id: int, organisation_id: int) -> list[int]:
    with unscoped("a person's own crews, also where she sees only some properties"):
        return list(
            Crew.objects.filter(people=person_id, organisation_id=organisation_id).values_list(
                "pk", flat=True
            )
        )


def people_of(organisation: Organisation) -> Iterable[Person]:
    """Who can be in a crew: those who may work here."""
    roles = (
        Membership.Role.TECHNICIAN,
        Membership.Role.COMPANY,
        Membership.Role.PLANNER,
        Membership.Role.OWNER,
    )
    rows: Iterable[Person] = Person.objects.filter(
        memberships__organisation=organisation, memberships__role__in=roles
    ).order_by("name", "email")
    return rows


_HOURS = re.compile(r"(\d{1,3})(?:[.,](\d{1,2})|:([0-5]\d))?(?: ?h| hours?)?")


def minutes_written(hours: str) -> int | None:
    """'7', '7.5' and '7:30' hours in minutes; None where it is none of these."""
    found = _HOURS.fullmatch(hours.strip())
    if not found:
        return None
    whole, part, minutes = found.groups()
    return int(whole) * 60 + round(float(f"0.{part or 0}") * 60) + int(minutes or 0)


@transaction.atomic
def keep_crew(
    organisation: Organisation,
    name: str,
    minutes_a_day: int,
    licences: Sequence[str],
    people: Sequence[int],
    crew: Crew | None = None,
) -> Crew:
    """Put down a crew, or change one, with the licences that somebody has seen."""
    problems: dict[str, str] = {}
    if not name.strip():
        problems["name"] = "Give the crew a name."
    if not 30 <= minutes_a_day <= 1440:
        problems["minutes_a_day"] = (
            f"A day of {how_long(minutes_a_day)} cannot be; 30 minutes to 24 hours can."
        )
    if unknown := sorted(set(licences) - set(LICENCES)):
        problems["licences"] = f"{', '.join(unknown)} is not known; {', '.join(LICENCES)} are."
    known = {person.pk for person in people_of(organisation)}
    if set(people) - known:
        problems["people"] = "Somebody chosen does not work here."
    if problems:
        raise CareRefused("This crew needs another look.", problems)
    row = crew or Crew(organisation=organisation)
    before = (row.name, row.minutes_a_day, list(row.licences)) if crew else (None, None, None)
    row.name, row.minutes_a_day, row.licences = name.strip()[:80], minutes_a_day, sorted(set(licences))
    try:
        with transaction.atomic():
            row.save()
    except IntegrityError as error:
        raise CareRefused("Another crew has this name.", {"name": "Choose another name."}) from error
    row.people.set(people)
    after = (row.name, row.minutes_a_day, row.licences)
    names = ("name", "minutes_a_day", "licences")
    record_change(
        row,
        "crew put down",
        {key: pair for key, *pair in zip(names, before, after, strict=True)},  # type: ignore[misc]
    )
    return row


@transaction.atomic
def set_site_care(property_: Property, licences_checked: bool, languages: Sequence[str]) -> SiteCare:
    """What a property asks: whether licences are checked, and the languages of its cards."""
    from fleet.care.card_words import languages as known

    if unknown := sorted(set(languages) - set(known())):
        raise CareRefused(f"{', '.join(unknown)} is not a language of the card; {', '.join(known())} are.")
    values = {"licences_checked": licences_checked, "languages": list(dict.fromkeys(languages))}
    row: SiteCare
    row, _ = SiteCare.objects.update_or_create(
        organisation_id=property_.organisation_id, property=property_, defaults=values
    )
    record_change(row, "site care set", {name: (None, value) for name, value in values.items()})
    return row
