"""What this room does by itself: each entry calls a service."""

from __future__ import annotations

from typing import Any

from fleet.estate.acting import Acting
from fleet.estate.background import ALERTS, Running, register
from fleet.estate.models import Organisation
from fleet.estate.rounds import each_minute
from fleet.reminders import clocks, fan_out, notes, sending


@each_minute("tell what happened", queue=ALERTS)
def tell() -> bool:
    return fan_out.tell_next()


@each_minute("escalate", queue=ALERTS)
def escalate() -> bool:
    return fan_out.escalate_next()


@each_minute("send alerts", queue=ALERTS, alone=False)
def send_alerts() -> bool:
    return sending.mail_some(urgent=True)


@each_minute("call web hooks", alone=False)
def call_web_hooks() -> bool:
    return sending.call_some()


@each_minute("write digests")
def write_digests() -> bool:
    return clocks.write_due_digests() or clocks.enrol_new() or clocks.set_clocks()


@each_minute("send digests", alone=False)
def send_digests() -> bool:
    return sending.mail_some(urgent=False)


@register(
    "notes_of_days_to_come",
    for_whom=Acting.ORGANISATION,
    every="day",
    limit_minutes=20,
    name="Notes of days to come",
    does="Puts warranties that end soon and fiscal years that begin into the inbox, for whoever plans.",
)
def days_to_come(job: Running) -> dict[str, Any]:
    organisation = Organisation.objects.get(pk=job.row.organisation_id)
    clocks.look_again_at_members(organisation.pk)
    return {
        "warranties": notes.note_warranties(organisation),
        "contributions": notes.note_contributions(organisation),
    }
