"""How long things are kept that are no part of the record: each organisation says, a daily job deletes.

The record itself (heaters, work, findings, history) is kept. A room registers what it holds for a time:
`@keeps("what", "Words for the settings page", days=400)` over a function that deletes what is older.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from fleet.estate import throttle
from fleet.estate.acting import Acting
from fleet.estate.background import Running, register
from fleet.estate.models import Invitation, Organisation, RetentionRule, SecurityEvent
from fleet.estate.security_log import note

Forget = Callable[[int, datetime], int]
LONGEST_DAYS = 3650


@dataclass(frozen=True)
class Kept:
    words: str
    default_days: int
    least_days: int
    forget: Forget


_kept: dict[str, Kept] = {}


def keeps(what: str, words: str, *, days: int, least_days: int = 1) -> Callable[[Forget], Forget]:
    """Register a function (organisation's number, moment) that deletes what is older and says how many."""

    def keep(forget: Forget) -> Forget:
        _kept[what] = Kept(words, days, least_days, forget)
        return forget

    return keep


def known() -> Mapping[str, Kept]:
    return _kept


def days_of(organisation: Organisation) -> dict[str, int]:
    """For everything that is kept for a time: how many days in this organisation."""
    chosen = dict(RetentionRule.objects.filter(organisation=organisation).values_list("what", "days"))
    return {what: chosen.get(what, kept.default_days) for what, kept in _kept.items()}


@transaction.atomic
def change_days(organisation: Organisation, days: Mapping[str, int]) -> None:
    """Set how long things are kept."""
    before = days_of(organisation)
    for what, number in days.items():
        kept = _kept.get(what)
        if kept is None:
            raise ValidationError(f"{what!r} is nothing that is kept for a time.")
        if not kept.least_days <= number <= LONGEST_DAYS:
            raise ValidationError(
                {what: f"{number} days cannot be. Give {kept.least_days} to {LONGEST_DAYS} days."}
            )
        if before[what] != number:
            RetentionRule.objects.update_or_create(
                organisation=organisation, what=what, defaults={"days": number}
            )
            note(
                "privacy",
                f"{kept.words}: kept {number} days, before {before[what]}",
                organisation_id=organisation.pk,
            )


@register(
    "retention",
    for_whom=Acting.ORGANISATION,
    every="day",
    name="What is past its time deleted",
    does="Deletes what is kept only for a time, as the organisation's settings say.",
)
def forget_what_is_old(job: Running) -> dict[str, Any]:
    """The daily job. Run twice it finds nothing the second time."""
    organisation = Organisation.objects.get(pk=job.row.organisation_id)
    now = timezone.now()
    gone = {}
    for what, days in days_of(organisation).items():
        with transaction.atomic():
            gone[what] = _kept[what].forget(organisation.pk, now - timedelta(days=days))
    throttle.forget_old()
    return {what: count for what, count in gone.items() if count}


@keeps("security_log", "Security log", days=400, least_days=90)
def _security_log(organisation_id: int, before: datetime) -> int:
    return int(SecurityEvent.objects.filter(organisation_id=organisation_id, at__lt=before).delete()[0])


@keeps("invitations", "Invitations that were used, withdrawn or ran out", days=90)
def _invitations(organisation_id: int, before: datetime) -> int:
    over = Q(accepted_at__lt=before) | Q(withdrawn_at__lt=before) | Q(expires_at__lt=before)
    return int(Invitation.objects.filter(over, organisation_id=organisation_id).delete()[0])
