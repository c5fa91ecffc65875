"""Background work of this room: each entry calls a service."""

from __future__ import annotations

from datetime import date
from typing import Any

from fleet.care import laying, missed, roll
from fleet.estate.access import Need
from fleet.estate.acting import Acting
from fleet.estate.background import Running, register
from fleet.estate.calendar import today_of
from fleet.estate.models import Organisation


@register(
    "roll_forward",
    for_whom=Acting.ORGANISATION,
    every="day",
    on_change=True,
    name="Work list brought up to the day",
    does="Works out which care is due at each heater and tells of missed safety work, for the crews.",
)
def roll_forward(job: Running) -> dict[str, Any]:
    organisation = Organisation.objects.get(pk=job.row.organisation_id)
    as_of = job.payload.get("as_of")
    result = roll.roll_forward(
        organisation, date.fromisoformat(as_of) if as_of else None, progress=job.report
    )
    missed.announce_missed(organisation)
    return {"created": result.created, "changed": result.changed, "dropped": result.dropped}


@register(
    "lay_visits",
    for_whom=Need.WORK,
    name="Visits laid out",
    does="Puts all due work into visits by day and crew, for the crews.",
)
def lay_visits(job: Running) -> dict[str, Any]:
    organisation = Organisation.objects.get(pk=job.row.organisation_id)
    laid = laying.lay_out_all(organisation.pk, today_of(organisation), progress=job.report)
    return {"visits": laid.visits, "tasks": laid.tasks}
