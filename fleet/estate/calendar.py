"""Which day it is: in a property's time zone, or the day at which an invented record stands still."""

from __future__ import annotations

import zoneinfo
from datetime import date

from django.utils import timezone

from fleet.estate.models import Organisation, Property


def today_of(organisation: Organisation, property_: Property | None = None) -> date:
    return today_in(organisation, property_.time_zone if property_ else "UTC")


def today_in(organisation: Organisation, zone: str) -> date:
    if organisation.calendar_stands_at is not None:
        return organisation.calendar_stands_at
    return timezone.now().astimezone(zoneinfo.ZoneInfo(zone)).date()


def day_of(organisation: Organisation, chosen: Property | None = None) -> date:
    """The day at the chosen property; of a house as a whole its first property's (where it has none of its own, the
    first one's in sight)."""
    if chosen is None and organisation.calendar_stands_at is None:
        rows = Property.objects.order_by("id")
        chosen = rows.filter(organisation=organisation).first() or rows.first()
    return today_of(organisation, chosen)
