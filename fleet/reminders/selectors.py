"""What the pages of this room read."""

from __future__ import annotations

from django.db.models import QuerySet

from fleet.estate.models import Membership, Person, Property
from fleet.estate.scope import unscoped
from fleet.reminders.models import CalendarFeed, Correspondent, Delivery, Preference


def own_wishes(person_id: int) -> list[tuple[Property, Preference]]:
    """The properties in sight for which she said something of their own."""
    with unscoped("a person's own wishes"):
        rows = {row.property_id: row for row in Preference.objects.filter(person_id=person_id)}
    return [(place, rows[place.pk]) for place in Property.objects.filter(pk__in=rows).order_by("name")]


def next_digest_of(person_id: int) -> Correspondent | None:
    return Correspondent.objects.filter(person_id=person_id).first()


def feed_of(person_id: int, organisation_id: int) -> CalendarFeed | None:
    with unscoped("a person's own calendar"):
        row: CalendarFeed | None = CalendarFeed.objects.filter(
            person_id=person_id, organisation_id=organisation_id
        ).first()
    return row


def deliveries(state: str = "") -> QuerySet[Delivery]:
    rows: QuerySet[Delivery] = Delivery.objects.select_related("person", "hook", "happening")
    return (rows.filter(state=state) if state in Delivery.State.values else rows).order_by("-id")


def people_of(organisation_id: int) -> list[Person]:
    members = Membership.objects.filter(organisation_id=organisation_id, person__is_active=True)
    return [row.person for row in members.select_related("person").order_by("person__name", "person__email")]
