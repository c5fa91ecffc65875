"""What has to be asked for once a day in each organisation; safe to ask as often as one likes."""

from __future__ import annotations

from fleet.estate.background import enqueue, is_registered
from fleet.estate.background_rows import Job
from fleet.estate.calendar import today_of
from fleet.estate.models import Organisation
from fleet.estate.scope import scope_of_organisation, scoped

DAILY = ("roll_forward",)


def daily_rounds() -> None:
    """Enqueue each organisation's daily work unless the day's job is already there, whatever its state."""
    for organisation in Organisation.objects.order_by("id"):
        day = today_of(organisation).isoformat()
        with scoped(scope_of_organisation(organisation)):
            for kind in DAILY:
                if is_registered(kind) and not Job.objects.filter(kind=kind, unique_key=day).exists():
                    enqueue(kind, {}, organisation.pk, unique_key=day)


def record_changed(organisation_id: int) -> None:
    """Ask for the daily work again, after many rows of a record have changed at once."""
    for kind in DAILY:
        if is_registered(kind):
            enqueue(kind, {}, organisation_id, unique_key="record changed")
