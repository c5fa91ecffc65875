"""Notes of days to come: a warranty that ends, a contribution to the reserve that falls due."""

from __future__ import annotations

from collections import defaultdict
from datetime import date, timedelta

from django.urls import reverse

from fleet.estate.calendar import today_of
from fleet.estate.happenings import announce
from fleet.estate.models import Organisation, Property
from fleet.heaters.models import Heater

WARRANTY_NOTE_DAYS = 60  # judgement, no source: time to have a claim looked at
CONTRIBUTION_NOTE_DAYS = 30
NAMED = 5


def add_years(day: date, years: float) -> date:
    """The same day so many years on; 29 February becomes 28 in a common year. Parts of years count as months."""
    months = round(years * 12)
    year, month = day.year + (day.month - 1 + months) // 12, (day.month - 1 + months) % 12 + 1
    for last in (day.day, 30, 29, 28):
        if last > day.day:
            continue
        try:
            return date(year, month, last)
        except ValueError:
            continue
    raise AssertionError("every month has 28 days")


def note_warranties(organisation: Organisation) -> int:
    """One note a building and end, from 60 days before the earliest day on which it can end."""
    found: dict[tuple[int, date, date], list[Heater]] = defaultdict(list)
    rows = Heater.objects.filter(ending="", warranty_years__gt=0, installed_earliest__isnull=False)
    years_known = rows.order_by().values_list("warranty_years", flat=True).distinct()
    today = today_of(organisation)
    for years in list(years_known):
        # Two days more on both sides than any calendar or time zone needs; the day itself is checked below.
        newest = add_years(today + timedelta(days=WARRANTY_NOTE_DAYS + 2), -years) + timedelta(days=2)
        oldest = add_years(today - timedelta(days=2), -years) - timedelta(days=2)
        due = rows.filter(warranty_years=years, installed_earliest__range=(oldest, newest))
        for heater in due.select_related("position__building__property__organisation").order_by("tag"):
            place = heater.position.building
            first = add_years(heater.installed_earliest, years)
            last = add_years(heater.installed_latest or heater.installed_earliest, years)
            here = today_of(organisation, place.property)
            if here <= first <= here + timedelta(days=WARRANTY_NOTE_DAYS):
                found[place.pk, first, last].append(heater)
    for (building_id, first, last), heaters in sorted(found.items(), key=lambda item: item[0]):
        _announce_warranty(building_id, first, last, heaters)
    return len(found)


def _announce_warranty(building_id: int, first: date, last: date, heaters: list[Heater]) -> None:
    place = heaters[0].position.building
    tags = ", ".join(heater.tag for heater in heaters[:NAMED])
    more = f" and {len(heaters) - NAMED} more" if len(heaters) > NAMED else ""
    when = f"on {first}" if first == last else f"between {first} and {last}"
    which = f"heater {tags}" if len(heaters) == 1 else f"{len(heaters)} heaters ({tags}{more})"
    announce(
        "warranty_ends",
        f"{building_id}:{first}:{last}",
        f"The warranty of {which} in {place.property}, {place} ends {when}, counted from the installation.",
        organisation_id=place.organisation_id,
        property_id=place.property_id,
        address=reverse("pages:heater", args=[heaters[0].pk])
        if len(heaters) == 1
        else reverse("pages:building", args=[building_id]),
        urgent=False,
    )


def next_fiscal_start(today: date, month: int) -> date:
    start = date(today.year, month, 1)
    return start if start >= today else date(today.year + 1, month, 1)


def note_contributions(organisation: Organisation) -> int:
    """A note a month before the fiscal year whose contribution a capital plan names. No plan, no note."""
    from fleet.planning.capital_rows import CapitalPlan

    if not CapitalPlan.objects.filter(state="done").exists():
        return 0
    count = 0
    for place in Property.objects.select_related("organisation").order_by("id"):
        today = today_of(organisation, place)
        start = next_fiscal_start(today, place.fiscal_year_start_month)
        if start - today > timedelta(days=CONTRIBUTION_NOTE_DAYS):
            continue
        count += 1
        announce(
            "contribution_due",
            f"{place.pk}:{start}",
            f"The fiscal year of {place} begins on {start}: the year's contribution to the reserve falls due. "
            "The capital plan says how much.",
            organisation_id=organisation.pk,
            property_id=place.pk,
            address=reverse("planning:capital"),
            urgent=False,
        )
    return count
