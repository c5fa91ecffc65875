"""Labels on heaters: codes, and leak reports from whoever scans them."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from datetime import datetime, timedelta

from django.db import transaction
from django.urls import reverse

from fleet.care.models import Label, LeakReport
from fleet.care.services import CareRefused
from fleet.estate.happenings import announce, settle
from fleet.estate.history import record_change
from fleet.estate.scope import current_scope
from fleet.heaters.attachments import CheckedFile
from fleet.heaters.models import Heater
from fleet.heaters.record_services import attach

LETTERS = "23456789ABCDEFGHJKMNPQRSTVWXYZ"  # nothing that reads like something else
REPORTS_AN_HOUR = 3  # of one heater
REPORTS_A_PROPERTY_HOUR = 30  # of all heaters of a property: beyond it somebody plays with the labels


def new_code() -> str:
    letters = [secrets.choice(LETTERS) for _ in range(10)]
    return "".join(letters[:5]) + "-" + "".join(letters[5:])


@transaction.atomic
def label_heaters(heaters: Sequence[Heater]) -> dict[int, Label]:
    """Give each heater its code, once; later calls return the same."""
    rows = Label.objects.filter(heater_id__in=[heater.pk for heater in heaters])
    have = set(rows.values_list("heater_id", flat=True))
    missing = [
        Label(organisation_id=heater.organisation_id, heater=heater, code=new_code())
        for heater in heaters
        if heater.pk not in have
    ]
    Label.objects.bulk_create(missing, ignore_conflicts=True)
    return {label.heater_id: label for label in rows.all()}


@transaction.atomic
def report_leak(heater: Heater, words: str, at: datetime) -> LeakReport | None:
    """Keep a report from the public card; beyond a few an hour it is already known and None is returned."""
    Heater.objects.select_for_update(of=("self",)).get(pk=heater.pk)
    lately = LeakReport.objects.filter(heater=heater, reported_at__gt=at - timedelta(hours=1)).count()
    if lately >= REPORTS_AN_HOUR or _property_floods(heater, at):
        return None
    report: LeakReport = LeakReport.objects.create(
        organisation_id=heater.organisation_id, heater=heater, words=words.strip()[:300], reported_at=at
    )
    place = heater.position
    announce(
        "leak_reported",
        str(report.pk),
        f"Leak reported at heater {heater.tag or heater.pk}, {place.building}, {place.label}{_said(report.words)}",
        organisation_id=heater.organisation_id,
        property_id=place.building.property_id,
        address=reverse("care:unsafe_list"),
        happened_at=at,
    )
    return report


def _property_floods(heater: Heater, at: datetime) -> bool:
    number = heater.position.building.property_id
    rows = LeakReport.objects.filter(heater__position__building__property_id=number)
    return rows.filter(reported_at__gt=at - timedelta(hours=1)).count() >= REPORTS_A_PROPERTY_HOUR


def _said(words: str) -> str:
    """What a stranger wrote, marked as such; nothing where she wrote nothing."""
    return f": “{words[:100]}”" if words else ""


@transaction.atomic
def add_leak_photo(report: LeakReport, checked: CheckedFile) -> LeakReport:
    """Keep the picture that came with a report; drawn anew, it holds no place and no person's device."""
    report.photo = attach(report.heater, checked)
    report.save(update_fields=["photo"])
    return report


@transaction.atomic
def answer_leak(report: LeakReport, answer: str, at: datetime) -> LeakReport:
    if not answer.strip():
        raise CareRefused("Say what was done about it.", {"answer": "A few words are needed."})
    row: LeakReport = LeakReport.objects.select_for_update(of=("self",)).get(pk=report.pk)
    if row.answered_at is not None:
        raise CareRefused(f"Already answered: {row.answer}")
    row.answer, row.answered_at, row.answered_by_id = answer.strip()[:300], at, current_scope().person_id
    row.save()
    record_change(row, "leak report answered", {"answered_at": (None, at.isoformat())}, row.answer)
    settle("leak_reported", str(row.pk), organisation_id=row.organisation_id, words=row.answer)
    return row
